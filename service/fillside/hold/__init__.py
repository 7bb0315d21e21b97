"""The held light: its contract, its state machine and its memory."""
