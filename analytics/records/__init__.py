"""Spreadsheets in, typed records out. The only layer that reads the shop's files."""
