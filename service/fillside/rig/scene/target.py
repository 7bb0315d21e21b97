"""The light that the rig's camera asks for."""

from __future__ import annotations

from fillside.photometry.exposure import target_lux
from fillside.rig.tables.model import Rig


def camera_target_lux(rig: Rig) -> float:
    """The illuminance at which the rig's camera exposes as its meter says (ISO 2720), in lux.

    Raises ValueError where the camera table leaves iso, aperture or the exposure time open.
    """
    camera, meter = rig.camera, rig.meter
    time_s = camera.exposure_time_s
    if camera.iso is None or camera.aperture is None or time_s is None:
        raise ValueError('exposure = "camera" needs camera.iso, camera.aperture and a shutter')
    stops = camera.nd_stops + camera.loss_stops + camera.offset_stops
    return target_lux(meter.constant_of(meter.receptor), camera.aperture, time_s, camera.iso, stops)


def exposure_target_lux(rig: Rig) -> float:
    """The exposure that the balance asks for: the camera's, or the stated number of lux."""
    return camera_target_lux(rig) if rig.balance.exposure == "camera" else rig.balance.exposure
