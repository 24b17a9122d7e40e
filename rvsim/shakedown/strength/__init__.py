"""How strong a scenario is: which wrong controllers it would let pass."""
