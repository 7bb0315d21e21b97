"""One question that schemathesis made from the OpenAPI document, and what must hold of its answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from schemathesis.checks import CHECKS, load_all_checks

load_all_checks()

NOT_ASKED = {
    "positive_data_acceptance": "whether a role, a mark or a moment is right only the rig knows",
    "ignored_auth": "this machine needs no token; who may come in is tried visitor by visitor elsewhere",
}
"""Checks of schemathesis that do not hold here, with the reason."""
TOO_LONG = 413
"""Refused before it is looked at, which schemathesis does not count as a refusal."""
WANTED = ("balance", "trims", "mode", "subject", "last_order", "camera", "calibrated_at")


def wanted_of(state: dict[str, Any]) -> dict[str, Any]:
    """What an order may change, and nothing else."""
    return {part: state[part] for part in WANTED}


def asks(case: Any, url: str, state: Callable[[], dict[str, Any]]) -> int:
    """Ask; every check of schemathesis holds, and what is refused changed nothing. The status."""
    before = wanted_of(state())
    response = case.call(base_url=url, headers={"Accept-Encoding": "identity"}, timeout=20)
    unasked = {*NOT_ASKED, *({"negative_data_rejection"} if response.status_code == TOO_LONG else ())}
    checks = [check for check in CHECKS.get_all() if check.__name__ not in unasked]
    case.validate_response(response, checks=checks)
    assert response.status_code < 500
    if response.status_code >= 400:
        assert wanted_of(state()) == before
        assert set(response.json()) == {"error"}
    return int(response.status_code)
