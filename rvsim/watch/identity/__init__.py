"""Who speaks from which address: from a claimed NAME to the planned device, and who of all is present."""
