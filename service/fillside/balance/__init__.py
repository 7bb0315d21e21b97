"""The balance: from a target to outputs, codes, and a verdict."""
