"""Studies that put the methods to the test: coverage against known truths, outside checks."""
