"""Contract: what messages over MQTT mean, and that old, wild or torn ones mean nothing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fillside.doors.mqtt.listener import newest_reports
from fillside.doors.mqtt.messages import BrokerOrder, ReceivedMessage, Topics, order_from
from fillside.doors.mqtt.publish_pace import LEAST_S, MOST_S, PublishPace, is_same_but_digits
from fillside.doors.mqtt.sensors import Sensors
from fillside.orders.answers import Refusal
from protocol.studio import rig

TOPICS = Topics("corner")
METERS = """
[doors.mqtt.meters.sensor]
at = "chair"
receptor = "dome"
facing = "camera"
[doors.mqtt.meters.roving]
unit = "fc"
"""
ASKS = {"head": "key", "level": "1.0", "at": [0.0, 0.0, 1.2], "receptor": "dome", "facing": "camera"}
STATE: dict[str, Any] = {
    "routine": None,
    "light_changed_at": 1000.0,
    "alone": "key",
    "settled": True,
    "subject": (0.6, 0.3, 1.25),
    "heads": [{"name": "key", "level": 0.5}, {"name": "fill", "level": 0.0}],
}


def asked(heard: ReceivedMessage, sensors: Sensors | None = None, **state: Any) -> BrokerOrder | None:
    return order_from(heard, TOPICS, sensors or Sensors(rig(METERS)), lambda: {**STATE, **state})


def meter(payload: bytes, name: str = "sensor", sensors: Sensors | None = None, **state: Any) -> Any:
    heard = ReceivedMessage(f"fillside/corner/meter/{name}", payload, came_unix_s=1002.0)
    found = asked(heard, sensors, **state)
    return None if found is None else found.order


def refusal(heard: ReceivedMessage, **state: Any) -> Refusal:
    with pytest.raises(Refusal) as refused:
        asked(heard, **state)
    return refused.value


@pytest.mark.parametrize(
    ("age_s", "expires_s", "fresh"),
    [
        (0.0, None, True),
        (4.9, None, True),
        (5.1, None, False),
        (0.9, 1, True),
        (1.1, 1, False),
        (0.4, 0, True),
        (0.6, 0, False),
        (4.0, 4_294_967_295, True),
        (6.0, 4_294_967_295, False),
    ],
)
def test_an_order_that_waited_longer_than_it_may_is_not_obeyed(
    age_s: float, expires_s: float | None, fresh: bool
) -> None:
    heard = ReceivedMessage(TOPICS.do, b'{"do": "dark"}', age_s=age_s, expires_s=expires_s)
    if fresh:
        assert asked(heard) == BrokerOrder({"do": "dark"}, "a publisher")
    else:
        assert refusal(heard).code == "not_now"


@pytest.mark.parametrize("topic", [TOPICS.do, TOPICS.subject, TOPICS.meter + "sensor"])
def test_what_the_broker_kept_is_not_obeyed(topic: str) -> None:
    assert refusal(ReceivedMessage(topic, b"{}", retained=True)).code == "not_now"


def test_a_number_is_a_reading_of_the_head_that_is_alone() -> None:
    expected = {"do": "read", "value": 640.0, "unit": "lux", "at": "chair", "receptor": "dome"}
    assert meter(b"640") == {**expected, "facing": "camera", "head": "key", "level": 0.5}
    assert meter(b" 640.0\n") == meter(b"640")
    assert meter(b'{"value": 640}') == {**meter(b"640"), "value": 640}
    assert meter(b'{"value": 8.3, "unit": "ev100"}')["unit"] == "ev100"


def test_a_meter_that_the_rig_does_not_know_stands_where_the_subject_is() -> None:
    expected = {"do": "read", "value": 640.0, "unit": "lux", "at": [0.6, 0.3, 1.25]}
    assert meter(b"640", "other") == {**expected, "head": "key", "level": 0.5}


def test_a_sensor_that_speaks_all_day_is_heard_only_when_one_head_is_alone() -> None:
    assert meter(b"640", alone=None) is None
    assert meter(b'{"value": 640, "head": "fill", "level": 1.0}', alone=None)["head"] == "fill"


def test_a_sensor_is_heard_once_until_the_light_is_another() -> None:
    sensors = Sensors(rig(METERS))
    assert meter(b"640", sensors=sensors)
    assert meter(b"641", sensors=sensors) is None
    assert meter(b"642", "roving", sensors)["unit"] == "fc"
    assert meter(b"643", sensors=sensors, light_changed_at=1000.4)
    assert meter(b"644", sensors=sensors, alone=None) is None
    sensors.forget("sensor")
    assert meter(b"645", sensors=sensors, light_changed_at=1000.4)


def routine(number: int = 3, **asks: Any) -> dict[str, Any]:
    return {"alone": None, "routine": {"number": number, "asks": {**ASKS, **asks}}}


def test_a_routine_knows_itself_what_it_asked_for() -> None:
    assert meter(b"640", "roving", **routine()) == {"do": "read", "value": 640.0, "unit": "fc"}
    assert meter(b"640", **routine())["at"] == "chair"
    assert meter(b"640", alone=None, routine={"number": 1, "asks": None}) is None


@pytest.mark.parametrize("asks", [{"at": [0.6, 0.3, 1.25]}, {"receptor": "flat"}, {"facing": "head"}])
def test_a_sensor_that_cannot_give_what_is_asked_is_not_heard(asks: dict[str, Any]) -> None:
    assert meter(b"640", **routine(**asks)) is None
    assert meter(b"640", "roving", **routine(**asks))


def test_a_sensor_answers_each_question_once() -> None:
    sensors = Sensors(rig(METERS))
    assert meter(b"640", sensors=sensors, **routine())
    assert meter(b"640", sensors=sensors, **routine()) is None
    assert meter(b"640", sensors=sensors, **routine(4))
    assert meter(b"640", sensors=sensors, **routine(4, level="0.5"))


@pytest.mark.parametrize(
    ("state", "counts"),
    [
        ({}, True),
        ({"settled": False}, False),
        ({"light_changed_at": 1001.0}, False),
        ({"light_changed_at": None}, True),
        ({"settled": False, "alone": None, "routine": {"number": 1, "asks": ASKS}}, False),
    ],
)
def test_a_reading_counts_once_the_light_stands_still(state: dict[str, Any], counts: bool) -> None:
    if counts:
        assert meter(b"640", **state)["value"] == 640
    else:
        heard = ReceivedMessage(TOPICS.meter + "sensor", b"640", came_unix_s=1002.0)
        assert refusal(heard, **state).code == "not_now"


@pytest.mark.parametrize(
    "payload",
    [b"", b"nan", b"NaN", b"inf", b"1e999", b"true", b"null", b"[]", b"{}", b'{"value": NaN}', b"\xff"],
)
def test_a_reading_that_is_no_number_is_refused(payload: bytes) -> None:
    assert refusal(ReceivedMessage(TOPICS.meter + "sensor", payload)).code == "bad_order"


def test_a_reading_says_nothing_but_readings() -> None:
    assert refusal(ReceivedMessage(TOPICS.meter + "sensor", b'{"value": 1, "do": "dark"}')).where == "do"
    assert refusal(ReceivedMessage(TOPICS.meter + "Sensor", b"1")).code == "unknown_name"


@pytest.mark.parametrize(
    ("topic", "may"),
    [
        ("tablet/answers", True),
        ("fillside/corner/said/tablet", True),
        ("fillside/other/do", True),
        ("fillside/corner/said", False),
        ("fillside/corner/do", False),
        ("fillside/corner/state", False),
        ("tablet/#", False),
        ("+", False),
        ("a\0b", False),
        ("$SYS/x", False),
        ("", False),
        (None, False),
        ("x" * 2000, False),
    ],
)
def test_where_an_answer_may_go(topic: str | None, may: bool) -> None:
    assert TOPICS.may_answer_at(topic) is may


def test_of_reports_that_waited_together_only_the_newest_counts() -> None:
    do, first, second = (
        ReceivedMessage(TOPICS.do, b"1"),
        ReceivedMessage(TOPICS.subject, b"2"),
        ReceivedMessage(TOPICS.subject, b"3"),
    )
    assert newest_reports([first, do, second], TOPICS.subject) == [do, second]
    assert newest_reports([do], TOPICS.subject) == [do]
    assert newest_reports([], TOPICS.subject) == []


def test_news_are_told_soon_and_digits_late() -> None:
    pace = PublishPace()
    state = {"lux": 640.0, "mode": "follow", "heads": [{"wire": [1, 2]}]}
    assert pace.due_s(state, 100.0) == 0
    pace.note(state, 100.0)
    assert pace.due_s(dict(state), 100.1) is None
    assert pace.look_again_s(100.1) == pytest.approx(LEAST_S - 0.1)
    assert pace.due_s({**state, "mode": "freeze"}, 100.1) == pytest.approx(LEAST_S - 0.1)
    assert pace.due_s({**state, "lux": 641.0}, 100.1) == pytest.approx(MOST_S - 0.1)
    assert pace.due_s({**state, "lux": 641.0}, 100.0 + MOST_S) == 0
    assert pace.due_s({**state, "heads": [{"wire": [1, 99]}]}, 101.0) == 0


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (None, None, True),
        (None, 1.0, False),
        (True, 1, False),
        (True, True, True),
        ([1, 2], [1], False),
        ({"a": 1}, {"b": 1}, False),
        ("x", "y", False),
        (0.0, 0.009, True),
        (0.0, 0.02, False),
    ],
)
def test_what_says_the_same(one: Any, other: Any, same: bool) -> None:
    assert is_same_but_digits(one, other) is same


scraps = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=80).map(str.encode),
    st.recursive(
        st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10)),
        lambda inner: st.one_of(
            st.lists(inner, max_size=4),
            st.dictionaries(
                st.sampled_from(["do", "to", "by", "mark", "role", "value", "unit", "head"]), inner
            ),
        ),
        max_leaves=10,
    ).map(lambda value: json.dumps(value).encode()),
)
topics = st.sampled_from(
    [TOPICS.do, TOPICS.subject, TOPICS.meter + "sensor", TOPICS.meter + "a/b", TOPICS.meter]
)


@settings(max_examples=400, deadline=None)
@given(topics, scraps)
@example(TOPICS.subject, b"{" * 5000)
@example(TOPICS.do, b"[" * 50_000)
@example(TOPICS.meter + "sensor", b"9" * 5000)
def test_whatever_comes_is_an_order_or_a_refusal_in_one_line(topic: str, payload: bytes) -> None:
    said: object
    try:
        found = asked(ReceivedMessage(topic, payload))
    except Refusal as refused:
        said, sound = refused.message, refused.message.isprintable() and len(refused.message) < 400
    else:
        said, sound = found, found is None or bool(json.dumps(found.order, allow_nan=False))
    assert sound, said
