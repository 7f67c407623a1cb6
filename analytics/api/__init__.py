"""The door for Python: questions to a shop's records, each answered by a result that shows itself (names in ``analytics``)."""
