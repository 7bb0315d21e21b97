"""Text in and out: numbers for people, strict JSON, escapes, and system errors in plain words."""
