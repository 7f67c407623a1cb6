"""The quarter: what came back, what is out there, what changed, what to mend in the records."""
