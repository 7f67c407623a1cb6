"""Where one tier ends and the next begins: is there a step, what pays, are the parts comparable, which is better."""
