"""The client against a line that loses, spoils, doubles and adds: requests run at most once, nothing is invented."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from airquill.errors import AirquillError
from airquill.link import catalogue
from airquill.link.client import Client, Greeting, LinkLost, NotAUnit, Refused, UnitRestarted
from airquill.link.port import Port
from airquill.simulator.control import Control

from .line import FaultyPort, double, faulty_client, lose, spoil


@pytest.fixture
def line() -> Any:
    client, port = faulty_client()
    yield client, port
    client.close()


def picks(client: Client) -> Any:
    return client.get("cycle.picks")["cycle.picks"]


def test_a_greeting_says_what_the_unit_is() -> None:
    with Client.open("sim://") as unit:
        said = unit.greeting
        assert (said.protocol, said.registry, said.registry_hash) == (1, catalogue.REGISTRY, catalogue.REGISTRY_HASH)
        assert (said.board, said.boots, said.cause) == ("virtual", 1, "power")
        assert "sensor" in said.capabilities


@pytest.mark.parametrize("change", [lose, spoil], ids=["lost", "spoilt"])
def test_a_request_that_does_not_arrive_is_sent_again(line: Any, change: Any) -> None:
    client, port = line
    port.to_unit = [change]
    client.do("pick")
    assert port.sent == 2
    assert picks(client) == 1


@pytest.mark.parametrize("change", [lose, spoil], ids=["lost", "spoilt"])
def test_a_lost_reply_is_asked_for_again_and_the_request_runs_once(line: Any, change: Any) -> None:
    client, port = line
    port.to_host = [change, change]
    client.do("pick")
    assert port.sent == 3
    # A second run of `pick` would be refused or counted; the unit gave the reply that it had kept.
    assert picks(client) == 1


def test_a_reply_that_comes_twice_is_taken_once(line: Any) -> None:
    client, port = line
    port.to_host = [double]
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 200}
    # The second copy is in the way now, under an old id.
    assert client.get("pump.ramp_ms") == {"pump.ramp_ms": 150}


def test_waits_grow_until_the_deadline_and_then_the_link_is_lost(line: Any) -> None:
    client, port = line
    port.to_unit = [lose] * 50
    began = port.now()
    with pytest.raises(LinkLost) as lost:
        client.request("get", "pump.kick_ms")
    assert lost.value.exit_code == 3
    assert 4.0 <= round(port.now() - began, 6) < 4.2
    assert port.sent == 5  # at 0, 0.25, 0.75, 1.75 and 3.75 s


def test_noise_between_replies_is_passed_over(line: Any) -> None:
    client, port = line
    noise = [b"\xff\xfe\x00\x80", b">>> ", b"7 done *00000000", b"", b"x" * 1000, b"3 done pump.kick_ms=9 *deadbeef"]
    port.to_host = [lambda reply: [*noise, reply]]
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 200}
    assert port.sent == 1


def test_what_stood_in_the_line_before_the_greeting_does_no_harm() -> None:
    port = FaultyPort()
    port.write(b"half a line\n\n")
    Port.write(port, b'99 set pump.kick_ms=1 "never closed')
    port.to_host = [lambda reply: [b"old output of another session", b"\x00\xff" * 40, reply]]
    client = Client(port)
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 200}
    client.close()


def test_noise_on_the_way_to_the_unit_is_counted_there_and_changes_nothing(line: Any) -> None:
    client, port = line
    before = client.all_settings()
    for junk in (b"\x80\x81\x82", b"5 set pump.kick_ms=1 *00000000", b"y" * 400, b"set pump.kick_ms=1"):
        Port.write(port, junk + b"\n")
        port.sleep(0.05)
    assert client.all_settings() == before
    assert client.get("link.bad_lines")["link.bad_lines"] == 4


def test_lost_events_show_as_a_gap(line: Any) -> None:
    client, port = line
    client.stream(100, "pump.duty_pct")
    port.to_host = [None, lose, lose, None]
    gaps = [event.gap for event in client.events(0.55)]
    assert gaps == [0, 2, 0, 0]  # a stream begins at once


def test_events_that_come_during_a_request_are_kept(line: Any) -> None:
    client, _ = line
    client.listen("cycle")
    client.do("pick")
    client.do("release")
    client.get("pump.kick_ms")
    states = [event.fields["state"] for event in client.events(1.0)]
    assert states[:2] == ["picking", "releasing"]
    assert states[-1] == "idle"


def test_a_unit_that_does_not_get_read_goes_on_when_it_is(line: Any) -> None:
    client, port = line
    client.stream(10, "pump.duty_pct", "vacuum.kpa")
    port.sleep(3.0)
    events = list(client.events(0.5))
    # Its ring held some of the 300; the rest is told by the gap, and readings flow again.
    assert sum(event.gap for event in events) > 200
    assert events[-1].gap == 0
    assert client.get("link.dropped")["link.dropped"] > 200


def test_a_restart_during_a_request_leaves_its_outcome_unknown(line: Any) -> None:
    client, port = line
    unit = Control.of(port.raw.unit)

    def cut(written: bytes) -> None:
        if b" do zero " in written:
            port.after_write = None
            unit.power_cut()
            unit.power_up()

    port.after_write = cut
    with pytest.raises(UnitRestarted) as unknown:
        client.do("zero")
    assert unknown.value.exit_code == 3
    assert "unknown" in unknown.value.sentence
    # Greeted anew, so that the caller can read back.
    assert client.get("sensor.zero_code")["sensor.zero_code"] == 3277


def test_power_lost_for_good_is_a_lost_link(line: Any) -> None:
    client, port = line
    port.raw.unit.power_cut()
    with pytest.raises(LinkLost):
        client.get("pump.kick_ms")


def test_an_asked_for_restart_is_waited_for(line: Any) -> None:
    client, _ = line
    client.set({"pump.kick_ms": 111}, keep=True)
    client.set({"pump.ramp_ms": 222})
    client.port.sleep(2.0)  # the boot number is written a second after the start
    client.do("restart")
    said = client.wait_for_restart()
    assert (said.boots, said.cause) == (2, "restart")
    assert client.get("pump.kick_ms", "pump.ramp_ms") == {"pump.kick_ms": 111, "pump.ramp_ms": 150}


def test_a_restart_right_after_the_start_is_seen_too(line: Any) -> None:
    client, _ = line
    client.do("restart")
    assert client.wait_for_restart().cause == "restart"


def test_a_set_is_all_or_nothing(line: Any) -> None:
    client, _ = line
    before = client.all_settings()
    with pytest.raises(Refused) as refused:
        client.set({"pump.kick_ms": 111, "grip.lost_pct": 80, "grip.found_pct": 20})
    assert (refused.value.number, refused.value.exit_code) == (205, 2)
    assert "grip.lost_pct" in refused.value.sentence
    assert client.all_settings() == before
    client.set({"pump.kick_ms": 111})  # no batch was left open


def test_a_large_set_goes_over_several_lines(line: Any) -> None:
    client, _ = line
    values = {f"preset{n}.name": f'a "{n}" \\ name' for n in range(1, 9)}
    values |= {f"preset{n}.strength_pct": Decimal(n) + Decimal("0.5") for n in range(1, 9)}
    client.set(values)
    assert client.get(*values) == values


def test_a_unit_that_is_busy_is_waited_for(line: Any) -> None:
    client, port = line
    hands = Control.of(port.raw.unit)
    hands.press(2, ms=400)
    port.sleep(0.05)  # the pedal is down: nothing is written to flash now
    client.set({"pump.kick_ms": 111}, keep=True)
    client.do("restart")
    client.wait_for_restart()
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 111}


def test_a_refusal_from_the_units_state_is_a_no(line: Any) -> None:
    client, _ = line
    client.do("pick")
    with pytest.raises(Refused) as refused:
        client.set({"pump.pwm_hz": 20000})
    assert (refused.value.word, refused.value.exit_code) == ("vacuum_on", 1)


def test_every_setting_and_reading_comes_typed(line: Any) -> None:
    client, _ = line
    defaults = {entry.path: entry.default for entry in catalogue.SETTINGS}
    assert client.all_settings() == defaults
    readings = client.all_readings()
    assert list(readings) == [entry.path for entry in catalogue.READINGS]
    assert client.get(*readings).keys() == readings.keys()
    with Client.open("sim://?sensor=off") as bare:
        assert bare.get("vacuum.kpa") == {"vacuum.kpa": None}


def test_a_unit_of_another_registry_is_described_by_itself(line: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """This host knows neither `pump.kick_ms` nor `loop.tick_us`, as if the unit were newer."""
    client, _ = line
    monkeypatch.setattr(catalogue, "REGISTRY_HASH", "00000000")
    unknown = next(entry for entry in catalogue.SETTINGS if entry.path == "pump.kick_ms")
    monkeypatch.setattr(catalogue, "SETTINGS", tuple(entry for entry in catalogue.SETTINGS if entry is not unknown))
    monkeypatch.setattr(catalogue, "READINGS", tuple(r for r in catalogue.READINGS if r.path != "loop.tick_us"))
    described = client.setting("pump.kick_ms")
    assert described == unknown._replace(help="")
    assert {entry.path: entry for entry in client.settings()}["pump.ramp_ms"].help
    client.set({"pump.kick_ms": 123})
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 123}
    assert client.all_settings()["pump.kick_ms"] == 123
    assert isinstance(client.all_readings()["loop.tick_us"], int)


def test_settings_of_all_types_describe_as_the_registry_has_them(line: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client, _ = line
    registry = catalogue.SETTINGS
    monkeypatch.setattr(catalogue, "REGISTRY_HASH", "00000000")
    assert client.settings() == registry


def test_a_setting_that_the_unit_does_not_have_is_named_and_nothing_changes(line: Any) -> None:
    client, _ = line
    with pytest.raises(AirquillError, match=r"no setting pump\.turbo"):
        client.set({"pump.kick_ms": 111, "pump.turbo": 1})
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 200}


class _Canned(FaultyPort):
    """Answers the greeting itself."""

    def __init__(self, fields: str) -> None:
        super().__init__()
        self.fields = fields

    def read_line(self, timeout_s: float) -> bytes | None:
        from airquill_protocol import frame

        line = super().read_line(timeout_s)
        if line is None or b" done protocol=" not in line:
            return line
        number, _, rest = line.decode().partition(" ")
        session = next(part for part in rest.split(" ") if part.startswith("session="))
        return frame.frame(f"{number} done {self.fields} {session}").rstrip(b"\n")


def test_a_later_greeting_may_hold_more_than_today() -> None:
    fields = (
        "protocol=1 firmware=9.9 build=x registry=7 hash=ffffffff board=b chip=c boots=3 cause=power caps=none new=1"
    )
    with Client(_Canned(fields)) as unit:
        assert unit.greeting == Greeting(1, "9.9", "x", 7, "ffffffff", "b", "c", 3, "power", ())


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ("protocol=2 registry=1 boots=1", "speaks protocol 2"),
        ("protocol=one registry=1 boots=1", "does not understand"),
        ("protocol=1 registry=1", "does not understand"),
    ],
)
def test_a_greeting_that_cannot_be_used_is_said_so(fields: str, sentence: str) -> None:
    port = _Canned(fields)
    with pytest.raises(AirquillError, match=sentence) as error:
        Client(port)
    assert error.value.exit_code == 3
    port.close()


def test_silence_is_no_unit() -> None:
    port = FaultyPort()
    port.raw.unit.power_cut()
    with pytest.raises(NotAUnit) as error:
        Client(port)
    assert not error.value.prompt
    assert error.value.exit_code == 3
    port.close()
