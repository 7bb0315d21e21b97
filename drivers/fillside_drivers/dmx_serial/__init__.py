"""DMX512-A, ANSI E1.11, through a plain serial adapter with an RS-485 output."""
