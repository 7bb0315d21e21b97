"""All that a belief gives: calibrations, intervals, charts, and words for people."""
