"""Models to the published limit: the bound, what no failure demonstrates, the sheet and its ledger."""
