"""A meter reading as a meter shows it: an f-stop with tenths at a speed and a shutter."""

from __future__ import annotations

import math

from fillside.photometry.exposure import aperture_from_lux

FULL_STOPS = ("0.7", "1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45", "64")
"""Names of the full stops of ISO 517, from 2^(-1/2) on."""


def f_stop_words(lux: float, constant: float, iso: float, time_s: float) -> str | None:
    """The f-stop with tenths that a meter of that C shows, None outside f/0.7 to f/64.

    Tenths count upward from the full stop below, as meters show them (common practice, no source).

    >>> f_stop_words(1000.0, 250.0, 400.0, 1 / 50), f_stop_words(600.0, 250.0, 400.0, 1 / 50)
    ('f/5.6', 'f/4+0.3')
    """
    if lux <= 0:
        return None
    tenths = round(20 * math.log2(aperture_from_lux(lux, constant, time_s, iso))) + 10
    stop, rest = divmod(tenths, 10)
    if not 0 <= stop < len(FULL_STOPS):
        return None
    return f"f/{FULL_STOPS[stop]}" + (f"+0.{rest}" if rest else "")
