"""Records to one row per part fitted: how long it has run, how it ended, under what load."""
