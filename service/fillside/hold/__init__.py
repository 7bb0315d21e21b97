"""The held light."""
