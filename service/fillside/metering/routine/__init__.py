"""The guided routines: calibration and line-up."""
