"""Makes `tests/reference/rendered_rooms.json`: diffuse rooms with a lamp, by a general-purpose renderer.

Run by hand, five minutes on two cores. Neither the product nor its tests need the renderer; this script wants
an environment of its own, of 300 MB::

    python3 -m venv /tmp/rendering && /tmp/rendering/bin/pip install mitsuba==3.9.1 numpy
    /tmp/rendering/bin/python tests/bench/make_rendered_rooms.py

Nothing of the product is imported here. Paths of light are traced at random through an empty box of
Lambertian walls. A receptor is a white patch of 2 mm that sends back all it gets, so its illuminance is
E = pi L; a meter of radiance looks at it. The lamp is an even disc that glows in front, once without a body,
so that light goes through it, and once with a black one. Each value is the mean of batches of their own
seeds, and its error the standard error of that mean.
"""

from __future__ import annotations

import json
import math
import os
import platform
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from truth.radiosity import WALL_NAMES
from truth.studio import TONES

KEPT = Path(__file__).resolve().parents[1] / "reference" / "rendered_rooms.json"
VARIANT = "scalar_rgb"
LOW, SIZE = (-1.8, -2.4, 0.0), (3.6, 4.2, 2.5)
POSITION, AIM, DIAMETER_M, AXIS_CD = (1.1, -1.0, 1.9), (0.0, 0.0, 1.2), 0.9, 1000.0
PLACES = ((0.0, 0.0, 1.2), (-0.5, 0.4, 1.1))
PATCH_M, METER_M = 0.002, 0.1
BATCH, FEWEST, MOST = 4096, 24, 1000
"""Paths in a batch, of which the sums stay exact in single precision; batches of a value."""
ENOUGH = 0.0005
"""Relative standard error at which a value is good."""
ROOMS = ("black", *TONES)


def main() -> None:
    """Render every value, two at a time, and keep them."""
    jobs = list(product(ROOMS, range(len(PLACES)), range(8), (False,)))
    jobs += [("average", place, facing, True) for place, facing in product(range(len(PLACES)), range(8))]
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as workers:
        rows = []
        for row in workers.map(measured, jobs):
            rows.append(row)
            print(" ".join(f"{value}" for value in row.values()), flush=True)
    KEPT.write_text(json.dumps({**described(), "values": rows}, indent=1) + "\n")


def described() -> dict[str, Any]:
    """All that a reader needs to work out the same values by other means."""
    import mitsuba

    return {
        "made_by": f"tests/bench/{Path(__file__).name}",
        "versions": {
            "mitsuba": mitsuba.__version__,
            "variant": VARIANT,
            "numpy": np.__version__,
            "python": platform.python_version(),
        },
        "paths_in_a_batch": BATCH,
        "room": {"low_m": LOW, "size_m": SIZE, "walls": WALL_NAMES},
        "reflectances": {name: reflectances(name) for name in ROOMS},
        "lamp": {"position_m": POSITION, "aim_m": AIM, "diameter_m": DIAMETER_M, "axis_cd": AXIS_CD},
        "places_m": PLACES,
        "receptor_m": PATCH_M,
    }


def reflectances(name: str) -> list[float]:
    """In the order of `WALL_NAMES`."""
    walls, ceiling, floor = TONES.get(name, (0.0, 0.0, 0.0))
    return [walls] * 4 + [floor, ceiling]


def facings(place: np.ndarray) -> np.ndarray:
    """Six ways along the axes, one toward the lamp, and one whose horizon cuts the lamp in half."""
    toward = np.array(POSITION) - place
    beside = np.cross(toward, [0.0, 0.0, 1.0])
    ways = np.array([*np.eye(3), *-np.eye(3), toward, beside])
    return np.asarray(ways / np.linalg.norm(ways, axis=1)[:, None])


def measured(job: tuple[str, int, int, bool]) -> dict[str, Any]:
    """One value: the illuminance of a receptor, with its error."""
    import mitsuba

    mitsuba.set_variant(VARIANT)
    name, which, facing, body = job
    place = np.array(PLACES[which])
    axis = facings(place)[facing]
    scene = mitsuba.load_dict(studio(mitsuba, name, body, place, axis))
    first = 1_000_003 * (1 + (ROOMS.index(name) * len(PLACES) + which) * 16 + facing * 2 + body)
    shown: list[float] = []
    while len(shown) < FEWEST or (len(shown) < MOST and error(shown) > ENOUGH * float(np.mean(shown))):
        image = np.asarray(mitsuba.render(scene, spp=BATCH, seed=first + len(shown)))
        shown.append(math.pi * float(image[0, 0, 0]))
    return {
        "room": name,
        "lamp_body": body,
        "place": which,
        "axis": [round(float(part), 9) + 0.0 for part in axis],
        "lux": round(float(np.mean(shown)), 4),
        "error_lux": round(error(shown), 5),
        "batches": len(shown),
    }


def error(shown: list[float]) -> float:
    return float(np.std(shown, ddof=1) / math.sqrt(len(shown)))


def studio(mitsuba: Any, name: str, body: bool, place: np.ndarray, axis: np.ndarray) -> dict[str, Any]:
    """The scene as the renderer reads it."""
    low, size = np.array(LOW), np.array(SIZE)
    lamp, away = np.array(POSITION), np.array(AIM) - np.array(POSITION)
    radiance = AXIS_CD / (math.pi * DIAMETER_M**2 / 4)
    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": -1},
        "receptor": {
            "type": "rectangle",
            "to_world": facing_along(mitsuba, place, axis, (PATCH_M / 2, PATCH_M / 2)),
            "bsdf": diffuse(1.0),
        },
        "lamp": {
            "type": "disk",
            "to_world": facing_along(mitsuba, lamp, away, (DIAMETER_M / 2, DIAMETER_M / 2)),
            "bsdf": diffuse(0.0) if body else {"type": "null"},
            "glow": {"type": "area", "radiance": {"type": "rgb", "value": [radiance] * 3}},
        },
        "meter": {
            "type": "radiancemeter",
            "origin": (place + METER_M * axis).tolist(),
            "direction": (-axis).tolist(),
            "film": {
                "type": "hdrfilm",
                "width": 1,
                "height": 1,
                "pixel_format": "rgb",
                "component_format": "float32",
                "rfilter": {"type": "box"},
            },
        },
    }
    for wall, share in enumerate(reflectances(name)):
        across = wall // 2
        middle, inward = low + size / 2, np.zeros(3)
        middle[across] = low[across] + size[across] * (wall % 2)
        inward[across] = 1.0 - 2.0 * (wall % 2)
        sides = [a for a in range(3) if a != across]
        scene[WALL_NAMES[wall]] = {
            "type": "rectangle",
            "to_world": facing_along(
                mitsuba, middle, inward, (size[sides[0]] / 2, size[sides[1]] / 2), np.eye(3)[sides[1]]
            ),
            "bsdf": diffuse(share),
        }
    return scene


def diffuse(reflectance: float) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": {"type": "rgb", "value": [reflectance] * 3}}


def facing_along(
    mitsuba: Any,
    middle: np.ndarray,
    axis: np.ndarray,
    half: tuple[float, float],
    upward: np.ndarray | None = None,
) -> Any:
    """Bring what lies flat about the origin to `middle`, with its second side along `upward`."""
    up = np.eye(3)[int(np.argmin(np.abs(axis)))] if upward is None else upward
    turned = mitsuba.ScalarTransform4f().look_at(
        origin=middle.tolist(), target=(middle + axis).tolist(), up=up.tolist()
    )
    return turned @ mitsuba.ScalarTransform4f().scale([half[0], half[1], 1.0])


if __name__ == "__main__":
    main()
