"""Protocol: what one bulb is sent and when, and what is made of what it says; no broker, no clock."""

from __future__ import annotations

import itertools
import json
import math
from typing import Any

import pytest
from pydantic import ValidationError

from fillside_drivers.mqtt.answers import STALE_S
from fillside_drivers.mqtt.bulb import ASSERT_AGAIN_S, GENTLE_FADE_S, PROBE_S, Bulb
from fillside_drivers.mqtt.options import MqttDrive, MqttOptions, message
from fillside_drivers.mqtt.payloads import reported_code
from fillside_drivers.mqtt.reports import ALIVE_WAIT_S, OBEYS_WITHIN_S, REPORT_WAIT_S

REPORTING = {
    "send_to": "lamp/set",
    "reports_at": "lamp",
    "reports_field": "power.now",
    "alive_at": "lamp/there",
}


def bulb(**drive: Any) -> Bulb:
    return Bulb(MqttDrive.model_validate({"send_to": "lamp/set", **drive}))


def sent(lamp: Bulb, now: float) -> list[tuple[str, str]]:
    return [(out.topic, out.payload) for out in lamp.take(now)]


@pytest.mark.parametrize(
    ("pattern", "code", "full", "text"),
    [
        ("{code}", 254, 254, "254"),
        ('{"level": {code}, "on": {"is": true}}', 7, 255, '{"level": 7, "on": {"is": true}}'),
        ("{share}", 1, 100, "0.01"),
        ("{percent}", 32768, 65535, "50"),
    ],
)
def test_a_pattern_makes_the_message(pattern: str, code: int, full: int, text: str) -> None:
    assert message(pattern, code, full) == text


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"send_to": "lamp/#"},
        {"send_to": ""},
        {"send_to": "lamp", "send_as": "no level in it"},
        {"send_to": "lamp", "homie": "a/b/c"},
        {"send_to": "lamp", "fade_field": "time"},
        {"send_to": "lamp", "full_scale": 0},
        {"send_to": "lamp", "most_per_s": 500.0},
        {"homie": "a/b/c", "reports_at": "x"},
        {"send_to": "lamp", "ask_to": "lamp/get"},
    ],
)
def test_a_drive_that_cannot_be_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        MqttDrive.model_validate(wrong)


@pytest.mark.parametrize(
    "wrong",
    [
        {"password_from": "env:P"},
        {"user_from": "me"},
        {"ca_file": "ca.pem"},
        {"tls": True, "key_file": "k.pem"},
    ],
)
def test_options_that_cannot_be_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        MqttOptions.model_validate(wrong)


def test_the_latest_code_wins_at_the_bulb_s_own_rate() -> None:
    lamp = bulb(most_per_s=5.0)
    lamp.want(10, 0.0)
    assert sent(lamp, 0.0) == [("lamp/set", "10")]
    for k in range(1, 10):
        lamp.want(10 + k, 0.02 * k)
        assert sent(lamp, 0.02 * k) == []
    assert lamp.due(0.18) == pytest.approx(0.2)
    assert sent(lamp, 0.2) == [("lamp/set", "19")]
    assert sent(lamp, 0.4) == []
    assert lamp.due(0.4) == pytest.approx(0.2 + ASSERT_AGAIN_S)
    assert sent(lamp, 0.2 + ASSERT_AGAIN_S) == [("lamp/set", "19")]


def test_a_bulb_is_switched_where_it_needs_to_be() -> None:
    lamp = bulb(on_as="ON", out_as="OFF", switch_to="lamp/switch")
    lamp.want(40, 0.0)
    assert sent(lamp, 0.0) == [("lamp/switch", "ON"), ("lamp/set", "40")]
    lamp.want(0, 1.0)
    assert sent(lamp, 1.0) == [("lamp/switch", "OFF")]
    lamp.want(9, 2.0)
    assert sent(lamp, 2.0) == [("lamp/switch", "ON"), ("lamp/set", "9")]


def test_a_fade_field_carries_the_time_between_two_messages() -> None:
    lamp = bulb(send_as='{"level": {code}}', fade_field="over")
    lamp.want(10, 0.0)
    assert json.loads(sent(lamp, 0.0)[0][1]) == {"level": 10, "over": 0.0}
    lamp.want(12, 0.1)
    assert json.loads(sent(lamp, 0.2)[0][1]) == {"level": 12, "over": 0.2}


def test_homie_topics_are_those_of_the_convention() -> None:
    """Homie convention 5: <domain>/5/<device>/<node>/<property>, commands at /set, $state of the device."""
    drive = MqttDrive.model_validate({"homie": "corner-lamp/light/power", "send_as": "{percent}"})
    assert drive.level_topic == "homie/5/corner-lamp/light/power/set"
    assert drive.report_topic == "homie/5/corner-lamp/light/power"
    assert drive.alive_topic == "homie/5/corner-lamp/$state"
    lamp = Bulb(drive)
    lamp.receive("homie/5/corner-lamp/light/power", b"20", 0.0)
    assert lamp.reported == 51


def test_a_bulb_that_reports_another_level_for_long_disobeys_until_it_obeys() -> None:
    lamp = bulb(**REPORTING)
    lamp.want(100, 0.0)
    lamp.take(0.0)
    assert lamp.receive("lamp", b'{"power": {"now": 20}}', 0.3)
    assert lamp.condition == "ok"
    assert lamp.judge(OBEYS_WITHIN_S)
    assert lamp.condition == "disobeying"
    lamp.receive("lamp", b'{"power": {"now": 101}}', 4.0)
    assert lamp.condition == "ok"


def test_a_bulb_that_is_gone_gets_nothing_and_comes_back_at_what_it_reports() -> None:
    lamp = bulb(**REPORTING)
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.receive("lamp/there", b"offline", 1.0)
    assert lamp.condition == "lost"
    lamp.want(90, 2.0)
    assert lamp.due(2.0) == math.inf
    lamp.receive("lamp/there", b"online", 3.0)
    assert not lamp.reachable
    lamp.receive("lamp", b'{"power": {"now": 255}}', 3.2)
    assert (lamp.condition, lamp.reported) == ("ok", 255)
    assert sent(lamp, 9.0) == []
    lamp.want(254, 9.0)
    assert sent(lamp, 9.0) == [("lamp/set", "254")]


@pytest.mark.parametrize(("comes_back", "code"), [("full", 255), ("kept", 100)])
def test_a_silent_bulb_comes_back_at_the_worst_it_may_have(comes_back: str, code: int) -> None:
    lamp = bulb(send_to="lamp/set", alive_at="lamp/there", comes_back=comes_back)
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.receive("lamp/there", b"offline", 1.0)
    lamp.receive("lamp/there", b"online", 2.0)
    assert lamp.due(2.0) == 2.0 + REPORT_WAIT_S
    assert sent(lamp, 2.0 + REPORT_WAIT_S) == []
    assert (lamp.condition, lamp.code, lamp.returns) == ("ok", code, 1)
    lamp.want(code - 1, 20.0)
    assert sent(lamp, 20.0) == [("lamp/set", str(code - 1))]
    assert not lamp.judge(20.0 + 2 * OBEYS_WITHIN_S), "one that reports nothing cannot be seen to disobey"


def settled(**drive: Any) -> Bulb:
    """A bulb that was sent 100 and has said so, where it says anything."""
    lamp = bulb(**drive)
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.receive("lamp/there", b"online", 0.1)
    lamp.receive("lamp", b"100", 0.2)
    return lamp


WAY_BROKEN = [
    # what it speaks of; what it says once the way is open again, and when; where it is back, and when
    ({}, [], 100, 50.0),
    ({"reports_at": "lamp"}, [], 100, 50.0 + REPORT_WAIT_S),
    ({"reports_at": "lamp"}, [("lamp", b"255", 50.1)], 255, 50.1),
    ({"alive_at": "lamp/there"}, [], 100, 50.0 + ALIVE_WAIT_S),
    ({"alive_at": "lamp/there"}, [("lamp/there", b"online", 53.0)], 100, 53.0 + REPORT_WAIT_S),
    ({"alive_at": "lamp/there", "reports_at": "lamp"}, [("lamp", b"7", 53.0)], 7, 53.0),
    (
        {"alive_at": "lamp/there", "reports_at": "lamp"},
        [("lamp/there", b"online", 53.0), ("lamp", b"9", 53.5)],
        9,
        53.5,
    ),
]


@pytest.mark.parametrize(("speaks", "says", "code", "at"), WAY_BROKEN)
def test_after_the_way_was_broken_a_bulb_is_found_where_it_says_it_is(
    speaks: dict[str, Any], says: list[tuple[str, bytes, float]], code: int, at: float
) -> None:
    lamp = settled(**speaks)
    lamp.connected(50.0)
    assert (lamp.state == "lost") == bool(speaks)
    for topic, payload, now in says:
        assert sent(lamp, now) == []
        lamp.receive(topic, payload, now)
    if at < 50.0 + ALIVE_WAIT_S:
        assert sent(lamp, at - 0.001) == []
    assert sent(lamp, at) == []
    assert (lamp.state, lamp.code, lamp.returns) == ("ok", code, 1)
    assert sent(lamp, at + 30.0) == [], "nothing until somebody says what it is to have"
    lamp.want(code, at + 30.0)
    assert sent(lamp, at + 30.0) == [("lamp/set", str(code))], "the last message may have been lost"


def test_the_first_connection_sends_at_once() -> None:
    lamp = bulb(alive_at="lamp/there", reports_at="lamp")
    lamp.want(7, 0.0)
    lamp.connected(0.0)
    assert sent(lamp, 0.0) == [("lamp/set", "7")]


def test_a_first_connection_that_comes_late_begins_from_the_level_of_before() -> None:
    """The light has gone on meanwhile, and the bulb has not: its latest level would be a step."""
    lamp = bulb(alive_at="lamp/there", reports_at="lamp")
    lamp.want(7, 0.0)
    lamp.want(90, 3.0)
    lamp.connected(9.0)
    assert (lamp.state, lamp.code, lamp.returns) == ("ok", 7, 1)
    assert sent(lamp, 9.1) == [], "nothing until somebody says how it goes on from there"
    lamp.want(8, 9.2)
    assert sent(lamp, 9.2) == [("lamp/set", "8")]


def test_a_bulb_that_is_gone_stays_gone_over_a_broken_way() -> None:
    lamp = settled(alive_at="lamp/there", reports_at="lamp")
    lamp.receive("lamp/there", b"offline", 1.0)
    lamp.connected(2.0)
    assert (lamp.state, lamp.due(2.0)) == ("lost", math.inf)


@pytest.mark.parametrize(("kept", "back"), [(False, True), (True, False)])
def test_a_report_before_its_word_counts_unless_the_broker_had_kept_it(kept: bool, back: bool) -> None:
    lamp = settled(alive_at="lamp/there", reports_at="lamp")
    lamp.receive("lamp/there", b"offline", 1.0)
    lamp.receive("lamp", b"255", 5.0, kept)
    assert lamp.state == "lost"
    lamp.receive("lamp/there", b"online", 5.1)
    assert (lamp.state == "ok") == back


def test_a_bulb_that_somebody_else_changed_is_found_there_once_it_was_asked() -> None:
    lamp = settled(reports_at="lamp", ask_to="lamp/get", ask_as="?")
    lamp.receive("lamp", b"101", 9.0)
    assert lamp.receive("lamp", b"255", 10.0)
    for now in (10.0, 11.0, 12.0):
        assert lamp.due(now) <= now
        assert sent(lamp, now) == [("lamp/get", "?")]
        assert (lamp.state, lamp.confirmed, lamp.returns) == ("ok", False, 0)
        lamp.receive("lamp", b"255", now + 0.1)
    assert lamp.due(12.2) == 12.5
    lamp.judge(12.5)
    assert (lamp.state, lamp.code, lamp.returns) == ("ok", 255, 1)
    assert sent(lamp, 40.0) == []
    lamp.want(251, 40.0)
    assert sent(lamp, 40.0) == [("lamp/set", "251")]


def test_a_bulb_that_denies_a_stray_report_is_not_led_from_it() -> None:
    lamp = settled(reports_at="lamp", ask_to="lamp/get")
    lamp.receive("lamp", b"255", 10.0)
    assert sent(lamp, 10.0) == [("lamp/get", "")]
    lamp.receive("lamp", b"255", 10.1)
    lamp.receive("lamp", b"100", 10.2)
    lamp.judge(20.0)
    assert (lamp.state, lamp.returns) == ("ok", 0)


@pytest.mark.parametrize("answer", [None, b"100", b"255"])
def test_one_that_cannot_be_asked_is_sent_its_level_once_more(answer: bytes | None) -> None:
    """That moves no lamp that obeys; the answer decides what is shown, and never where light is led from."""
    lamp = settled(reports_at="lamp")
    lamp.receive("lamp", b"0", 10.0)
    assert sent(lamp, 10.5) == [], "it may correct itself"
    assert sent(lamp, 11.0) == [("lamp/set", "100")]
    if answer is not None:
        lamp.receive("lamp", answer, 11.2)
    lamp.judge(13.0)
    assert (lamp.state, lamp.returns) == ("disobeying" if answer == b"255" else "ok", 0)
    assert lamp.code == {None: None, b"100": 100, b"255": 255}[answer]


@pytest.mark.parametrize(("says", "is_back"), [(b"100", True), (b"255", True), (b"30", False)])
def test_a_late_bulb_that_cannot_be_asked_is_back_only_at_a_level_it_may_have(
    says: bytes, is_back: bool
) -> None:
    """It is sent its level from where it is believed to be: from a stranger's level, that would be a step."""
    lamp = settled(reports_at="lamp")
    lamp.want(150, 10.0)
    for k in range(31):
        lamp.take(10.0 + 0.1 * k)
        lamp.judge(10.0 + 0.1 * k)
    assert lamp.state == "late"
    lamp.receive("lamp", says, 13.1)
    assert (lamp.returns == 1) is is_back
    if not is_back:
        assert sent(lamp, 13.2) == [], "it may correct itself"
        assert sent(lamp, 14.1) == [("lamp/set", "150")]


def test_one_that_fades_is_sent_its_level_with_a_slow_fade_when_in_doubt() -> None:
    lamp = settled(reports_at="lamp", send_as='{"level": {code}}', fade_field="over")
    lamp.receive("lamp", b"255", 10.0)
    assert [json.loads(text) for _, text in sent(lamp, 10.0)] == [{"level": 100, "over": GENTLE_FADE_S}]


def test_a_report_on_the_way_is_no_stray() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(200, 10.0)
    lamp.take(10.0)
    for code, now in ((200, 10.1), (130, 10.6), (170, 11.4), (199, 12.2)):
        lamp.receive("lamp", str(code).encode(), now)
        assert sent(lamp, now) == []
    lamp.judge(14.0)
    assert (lamp.state, lamp.confirmed, lamp.returns) == ("ok", True, 0)


def test_a_bulb_that_does_not_answer_a_new_level_is_late_and_then_silent_within_five_seconds() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(150, 10.0)
    lamp.take(10.0)
    shown = {}
    for k in range(int(5 / 0.01)):
        now = 10.0 + 0.01 * k
        lamp.take(now)
        lamp.judge(now)
        shown.setdefault(lamp.state, now)
    assert list(shown) == ["ok", "late", "lost"]
    assert shown["lost"] - 10.0 < 5.0
    assert lamp.confirmed is False


def test_a_message_that_was_lost_is_sent_again_before_the_bulb_is_given_up() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(150, 10.0)
    lamp.take(10.0)
    assert sent(lamp, 12.0) == []
    assert sent(lamp, 12.2) == [("lamp/set", "150")]
    lamp.receive("lamp", b"150", 12.4)
    lamp.judge(16.0)
    assert (lamp.state, lamp.confirmed) == ("ok", True)


def test_a_change_too_small_for_a_bulb_that_rounds_needs_no_answer() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(102, 10.0)
    lamp.take(10.0)
    lamp.judge(30.0)
    assert lamp.state == "ok"


def test_what_a_broker_kept_confirms_nothing() -> None:
    lamp = bulb(reports_at="lamp")
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.receive("lamp", b"100", 0.1, kept=True)
    lamp.judge(1.0)
    assert (lamp.state, lamp.confirmed, lamp.answer_habit) == ("ok", False, None)


def test_a_confirmation_expires() -> None:
    lamp = settled(reports_at="lamp")
    lamp.judge(STALE_S)
    assert lamp.confirmed is True
    assert lamp.due(STALE_S) <= 0.2 + STALE_S
    lamp.judge(0.2 + STALE_S)
    assert lamp.confirmed is False


def test_a_bulb_that_reports_nothing_cannot_answer() -> None:
    lamp = bulb(alive_at="lamp/there")
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.judge(100.0)
    assert (lamp.state, lamp.answer_habit, lamp.confirmed) == ("ok", "no", None)


def test_a_silent_bulb_is_tried_and_is_back_where_it_says() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(150, 10.0)
    lamp.take(10.0)
    lamp.judge(15.0)
    assert (lamp.condition, lamp.code) == ("silent", None)
    lamp.want(180, 16.0)
    assert sent(lamp, 16.0) == [("lamp/set", "150")]
    assert sent(lamp, 16.0 + PROBE_S) == [("lamp/set", "150")]
    lamp.receive("lamp", b"255", 20.0)
    assert (lamp.state, lamp.code, lamp.returns) == ("ok", 255, 1)
    assert sent(lamp, 21.0) == [], "nothing until somebody says what it is to have"


def test_a_bulb_that_stands_still_is_led_on_by_a_step_each_once_it_took_the_last() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(150, 10.0)
    lamp.take(10.0)
    lamp.receive("lamp", b"100", 10.2)
    lamp.judge(13.0)
    assert lamp.state == "disobeying"
    assert sent(lamp, 13.0) == [("lamp/set", "102")]
    lamp.receive("lamp", b"100", 13.2)
    assert sent(lamp, 14.0) == [], "it did not take the step"
    assert sent(lamp, 16.0) == [("lamp/set", "102")]
    codes, now = [102], 16.1
    while lamp.state == "disobeying" and now < 40.0:
        lamp.receive("lamp", str(lamp._sent).encode(), now)
        codes += [int(text) for _, text in sent(lamp, now)]
        now += 0.2
    assert codes[-1] == 150
    assert codes == sorted(codes)
    # 0.1 stop on the steepest power law, light as the third power of the level.
    assert all(b - a <= 1 or 3 * math.log2(b / a) <= 0.1 for a, b in itertools.pairwise(codes))


def test_a_bulb_that_lies_is_never_taken_at_its_word() -> None:
    """It says 20 whatever it is sent: were it believed, its light would be pulled down to that."""
    lamp = bulb(reports_at="lamp", most_per_s=5.0)
    for k in range(400):
        now = 0.05 * k
        lamp.want(min(100, 2 * k), now)
        lamp.take(now)
        lamp.receive("lamp", b"20", now)
    assert lamp.returns == 0
    assert lamp.state == "disobeying"
    assert lamp.code == 20


def test_a_bulb_is_judged_in_time_though_nobody_says_anything_more() -> None:
    lamp = settled(reports_at="lamp")
    lamp.want(120, 10.0)
    lamp.take(10.0)
    lamp.receive("lamp", b"100", 10.2)
    due = 10.0 + OBEYS_WITHIN_S
    assert lamp.due(10.3) == due
    assert lamp.judge(due)
    assert lamp.condition == "disobeying"
    # It stands where it was: a step from there is tried now and then, and gives it no new time to obey.
    assert sent(lamp, due) == [("lamp/set", "102")]
    assert lamp.condition == "disobeying"


def test_reports_that_lag_in_a_fade_are_neither_lies_nor_changes() -> None:
    lamp = settled(reports_at="lamp")
    for k in range(200):
        now = 1.0 + 0.05 * k
        lamp.want(100 + min(k, 100), now)
        lamp.take(now)
        lamp.receive("lamp", str(100 + min(max(k - 10, 0), 100)).encode(), now)
        assert (lamp.state, lamp.returns) == ("ok", 0)


@pytest.mark.parametrize(
    "payload", [b"[" * 9000, b"1" + b"0" * 400, b"-1", b"NaN", b"\xff", b'"5"', b"true", b""]
)
def test_garbage_from_a_bulb_says_nothing(payload: bytes) -> None:
    assert (
        reported_code(MqttDrive.model_validate({"send_to": "lamp/set", "reports_at": "lamp"}), payload)
        is None
    )
    lamp = bulb(**REPORTING)
    lamp.want(100, 0.0)
    lamp.take(0.0)
    lamp.receive("lamp", payload, 1.0)
    assert lamp.reported is None
    assert lamp.condition == "ok"


def test_an_old_retained_report_counts_only_for_a_bulb_that_says_nothing_itself() -> None:
    lamp = settled(reports_at="lamp")
    lamp.connected(50.0)
    lamp.receive("lamp", b"30", 50.0, kept=True)
    assert lamp.state == "lost", "the bulb may have obeyed since"
    lamp.receive("lamp", b"80", 50.3)
    assert (lamp.state, lamp.code) == ("ok", 80)
    lamp.connected(60.0)
    lamp.receive("lamp", b"30", 60.0, kept=True)
    assert sent(lamp, 60.0 + REPORT_WAIT_S) == []
    assert (lamp.state, lamp.code) == ("ok", 30)


def test_a_bulb_found_by_no_report_is_not_where_it_once_said_it_was() -> None:
    lamp = settled(reports_at="lamp")
    lamp.receive("lamp", b"255", 40.0)
    lamp.connected(50.0)
    assert sent(lamp, 50.0 + REPORT_WAIT_S) == []
    assert (lamp.state, lamp.code) == ("ok", 100), "as it was sent, not as a stranger said"


def test_a_bulb_is_asked_where_it_is_once_it_has_obeyed_what_a_hung_broker_kept_back() -> None:
    lamp = settled(reports_at="lamp", ask_to="lamp/ask", latency_s=0.2)
    lamp.connected(50.0)
    assert sent(lamp, 50.1) == []
    lamp.receive("lamp", b"60", 50.1)
    assert lamp.state == "lost", "it is about to obey"
    assert sent(lamp, 50.31) == [("lamp/ask", "")]
    lamp.receive("lamp", b"100", 50.4)
    assert (lamp.state, lamp.code) == ("ok", 100)
