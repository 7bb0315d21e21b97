"""What became of a studio since it was believed."""
