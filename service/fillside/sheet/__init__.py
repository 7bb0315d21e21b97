"""The lighting sheet: scale drawings and tables from which a set can be rebuilt."""
