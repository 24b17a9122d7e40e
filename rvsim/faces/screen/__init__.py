"""The live screen: one list drawn as the trunk, devices open in place, sentences, rails, tape and ledger."""
