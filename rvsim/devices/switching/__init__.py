"""Outputs and inputs of modules and keypads, apart from the kinds that have them."""
