"""Lifetimes to survival: curves, comparisons, competing findings, repeated returns, fits, exact bounds."""
