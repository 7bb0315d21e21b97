"""Changes and drift of a studio since it was believed."""
