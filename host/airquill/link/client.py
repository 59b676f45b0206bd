"""The host's end of the line: greeting, requests that run at most once, events.

One request is under way at a time. On silence it is sent again, with the same id and check sum, with growing waits
inside one deadline; the unit answers a repeated request without running it again. A unit that restarted in between
is asked nothing again: the caller is told that the outcome is unknown.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import TracebackType

from airquill.errors import AirquillError
from airquill.link import catalogue
from airquill.link.convert import Value, from_wire, to_wire
from airquill.link.entries import ADDON, Action, Reading, Setting
from airquill.link.port import Port
from airquill.link.problems import LinkLost, NotAUnit, OddReply, Refused, Silence, UnitRestarted
from airquill.link.said import (
    Greeting,
    described_action,
    described_reading,
    described_setting,
    fields_of,
    greeting_of,
)
from airquill_protocol import frame
from airquill_protocol.fault import ProtocolError

__all__ = ["Client", "Event", "Greeting", "LinkLost", "NotAUnit", "OddReply", "Refused", "Silence", "UnitRestarted"]

FIRST_WAIT_S = 0.25
GREETING_S = 2.0
DEADLINE_S = 4.0
BUSY_WAIT_S = 0.1
_EVENTS_KEPT = 4096
_GET_AT_ONCE = 5


@dataclass(frozen=True)
class Event:
    """Something that the unit said of itself. `gap` is how many events before it were lost."""

    number: int
    topic: str
    fields: dict[str, Value]
    at_s: float = field(compare=False)  # on the line's clock, when it was read
    gap: int = 0


class Client:
    """A greeted unit. Use as a context manager; leaving closes the line."""

    def __init__(self, port: Port) -> None:
        """Greet the unit at `port`. Raises NotAUnit when something else is there."""
        self.port = port
        self._id = 0
        self._events: deque[Event] = deque(maxlen=_EVENTS_KEPT)
        self._last_event = 0
        self._settings: tuple[Setting, ...] | None = None
        self._readings: tuple[Reading, ...] | None = None
        self._actions: tuple[Action, ...] | None = None
        self.greeting = self._greet()

    @classmethod
    def open(cls, url: str) -> Client:
        """Open a port and greet the unit there."""
        port = Port(url)
        try:
            return cls(port)
        except BaseException:
            port.close()
            raise

    def close(self) -> None:
        self.port.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- greeting ------------------------------------------------------------------------------------------------

    def _greet(self) -> Greeting:
        session = random.randrange(1, 10**6)
        end = self.port.now() + GREETING_S
        wait_s = FIRST_WAIT_S
        seen = b""
        while self.port.now() < end:
            self._id += 1
            # The LF ends whatever half a line is still in the unit's input.
            self.port.write(b"\n" + frame.frame(f"{self._id} hello {session}"))
            until = min(self.port.now() + wait_s, end)
            while (left := until - self.port.now()) > 0:
                line = self.port.read_line(left)
                if line is None:
                    break
                seen = (seen + b"\n" + line)[-1000:]
                fields = self._reply_fields(line, str(self._id))
                if fields and fields[0] == "done":
                    said = fields_of(fields[1:])
                    if said.get("session") == str(session):
                        self._last_event = 0
                        return greeting_of(said)
            if _is_prompt(seen + b"\n" + self.port.pending()):
                raise NotAUnit(self.port.url, prompt=True)
            wait_s *= 2
        raise NotAUnit(self.port.url, prompt=False)

    def greet_again(self) -> Greeting:
        """A new session: subscriptions and cached replies are gone. Returns what the unit says now."""
        self.greeting = self._greet()
        self._settings = self._readings = self._actions = None
        return self.greeting

    # -- requests ------------------------------------------------------------------------------------------------

    def request(self, verb: str, *fields: str, deadline_s: float = DEADLINE_S) -> list[str]:
        """Do one request and return the fields of its reply after `done`.

        Raises Refused when the unit says no, UnitRestarted, LinkLost when it is silent until the deadline (seconds on
        the line's clock).
        """
        end = self.port.now() + deadline_s
        while True:
            try:
                return self._checked(self._exchange(verb, fields, end), verb)
            except Refused as error:
                # The unit has not done it. An open batch is gone after a refusal, so its owner must begin anew.
                if error.word != "busy" or verb == "batch" or self.port.now() + BUSY_WAIT_S >= end:
                    raise
                self.port.sleep(BUSY_WAIT_S)

    def _exchange(self, verb: str, fields: tuple[str, ...], end: float) -> list[str]:
        """Send a request, again on silence, until its reply is there. `end` is on the line's clock."""
        self._id = self._id % frame.LONGEST_ID + 1
        try:
            line = frame.frame(" ".join([str(self._id), verb, *fields]))
        except ValueError:
            raise AirquillError(
                f"`{verb}` with {len(fields)} fields does not fit a line. Ask for fewer at a time."
            ) from None
        wait_s = FIRST_WAIT_S
        while (left := end - self.port.now()) > 0:
            self.port.write(line)
            reply = self._await_reply(str(self._id), min(wait_s, left))
            if reply is not None:
                return reply
            wait_s *= 2
        raise Silence(self.port.url)

    def _await_reply(self, number: str, wait_s: float) -> list[str] | None:
        until = self.port.now() + wait_s
        while (left := until - self.port.now()) > 0:
            line = self.port.read_line(left)
            if line is None:
                return None
            fields = self._reply_fields(line, number)
            if fields is not None:
                return fields
        return None

    def _checked(self, reply: list[str], verb: str) -> list[str]:
        if reply[0] == "done":
            return reply[1:]
        if reply[0] != "error" or len(reply) < 4 or not reply[1].isdigit():
            raise OddReply(verb, " ".join(reply))
        word, sentence = reply[2], str(from_wire("text", reply[3]))
        if word == "no_session":
            # It was greeted before, so it has restarted since.
            self.greet_again()
            raise UnitRestarted(verb)
        raise Refused(int(reply[1]), word, sentence)

    def _reply_fields(self, line: bytes, number: str) -> list[str] | None:
        """The fields of the reply to request `number`; notes events, passes over all else."""
        state, body = frame.unframe(line.rstrip(b"\r"))
        if state != frame.GOOD:
            return None
        try:
            fields = frame.split(body)
        except ProtocolError:
            return None
        if fields[0] == "!":
            self._note(fields)
            # Reading is acknowledged, so that the unit goes on sending.
            self.port.write(b"\n")
            return None
        return fields[1:] if fields[0] == number and len(fields) > 1 else None

    # -- events --------------------------------------------------------------------------------------------------

    def _note(self, fields: list[str]) -> None:
        if len(fields) < 3 or not fields[1].isdigit():
            return
        number, topic = int(fields[1]), fields[2]
        kinds = _EVENT_KINDS.get(topic, {})
        values: dict[str, Value] = {}
        for part in fields[3:]:
            name, _, text = part.partition("=")
            values[name] = from_wire(kinds.get(name) or self._kind_of_reading(name), text)
        gap = max(0, number - self._last_event - 1)
        self._last_event = number
        self._events.append(Event(number, topic, values, self.port.now(), gap))

    def _kind_of_reading(self, path: str) -> str:
        for entry in self._readings or ():
            if entry.path == path:
                return entry.type
        return _READING_KINDS.get(path, "word")

    def listen(self, *topics: str) -> None:
        """Hear these events and no others; none ends it."""
        self.request("listen", *(topics or ("none",)))

    def stream(self, ms: int, *paths: str) -> None:
        """Hear these readings every `ms` milliseconds as `reading` events; 0 ends it."""
        self.readings()  # their types, which cannot be asked while events come
        self.request("stream", str(ms), *paths)

    def events(self, seconds: float) -> Iterator[Event]:
        """Events as they come, for so long on the line's clock; those that came before are first."""
        end = self.port.now() + seconds
        while True:
            while self._events:
                yield self._events.popleft()
            left = end - self.port.now()
            if left <= 0:
                return
            line = self.port.read_line(left)
            if line is not None:
                self._reply_fields(line, "")

    def wait_for(self, topic: str, seconds: float, **wanted: Value) -> Event | None:
        """The next event of a topic whose fields have these values, or None; others before it are passed over."""
        for event in self.events(seconds):
            if event.topic == topic and all(event.fields.get(name) == value for name, value in wanted.items()):
                return event
        return None

    # -- settings ------------------------------------------------------------------------------------------------

    def settings(self) -> tuple[Setting, ...]:
        """Every setting that the unit has, in its order: those of the registry, where the unit has the same, and what
        the unit itself describes, which is all of another version's, and what add-ons brought."""
        if self._settings is None:
            known = {entry.path: entry for entry in catalogue.SETTINGS}
            first = catalogue.SETTINGS if self._is_known() else ()
            self._settings = first + tuple(
                described_setting(said, known.get(said["path"])) for said in self._describe("settings", len(first))
            )
        return self._settings

    def readings(self) -> tuple[Reading, ...]:
        """Every reading that this unit has, found in the same way."""
        if self._readings is None:
            known = {entry.path: entry for entry in catalogue.READINGS}
            first = catalogue.READINGS if self._is_known() else ()
            self._readings = first + tuple(
                described_reading(said, known.get(said["path"])) for said in self._describe("readings", len(first))
            )
        return self._readings

    def actions(self) -> tuple[Action, ...]:
        """Every action of the registry, and those of the unit's add-ons."""
        if self._actions is None:
            described = (described_action(said) for said in self._describe("actions", 0) if said["name"][:2] == "x.")
            self._actions = catalogue.ACTIONS + (tuple(described) if self.greeting.addons else ())
        return self._actions

    def _is_known(self) -> bool:
        return self.greeting.registry_hash == catalogue.REGISTRY_HASH

    def _describe(self, what: str, first: int) -> Iterator[dict[str, str]]:
        """Descriptions from number `first` on; nothing is asked of a unit that has no more than is known."""
        if first and not self.greeting.addons:
            return
        count = fields_of(self.request("describe"))[what]
        for number in range(first, int(count)):
            yield fields_of(self.request("describe", what, str(number)))

    def setting(self, path: str) -> Setting | None:
        return next((entry for entry in self.settings() if entry.path == path), None)

    def get(self, *paths: str) -> dict[str, Value]:
        """Values of settings and readings, by path. As many requests as it takes."""
        kinds = {entry.path: entry.type for entry in self.settings()}
        kinds |= {entry.path: entry.type for entry in self.readings()}
        out: dict[str, Value] = {}
        at, size = 0, _GET_AT_ONCE
        while at < len(paths):
            try:
                reply = self.request("get", *paths[at : at + size])
            except Refused as error:
                if error.word != "reply_too_long" or size == 1:
                    raise
                size = 1
                continue
            out |= {path: from_wire(kinds.get(path, "word"), text) for path, text in fields_of(reply).items()}
            at += size
            size = _GET_AT_ONCE
        return out

    def all_settings(self) -> dict[str, Value]:
        """Every setting's running value, by path."""
        kinds = {entry.path: entry.type for entry in self.settings()}
        return self._list("settings", kinds)

    def all_readings(self) -> dict[str, Value]:
        """Every reading's value, by path; None where this unit has no part for it."""
        return self._list("readings", {entry.path: entry.type for entry in self.readings()})

    def _list(self, what: str, kinds: dict[str, str]) -> dict[str, Value]:
        out: dict[str, Value] = {}
        at = "0"
        while True:
            said = fields_of(self.request("list", what, at))
            at = said.pop("next")
            out |= {path: from_wire(kinds.get(path, "word"), text) for path, text in said.items()}
            if at == "0":
                return out

    def set(self, values: dict[str, Value], keep: bool = False) -> None:
        """Change settings, all or none; with `keep` they last over a restart, else until then.

        Raises Refused, and AirquillError for a path that the unit does not have; nothing is changed then.
        """
        entries = {entry.path: entry for entry in self.settings()}
        missing = [path for path in values if path not in entries]
        if missing:
            raise AirquillError(f"This unit has no setting {missing[0]}. `airquill show settings` lists what it has.")
        fields = [f"{path}={to_wire(entries[path], value)}" for path, value in values.items()]
        end = self.port.now() + DEADLINE_S
        while True:
            try:
                self._batch(fields, keep)
                return
            except Refused as error:
                # A pedal is down, a stroke runs, or the unit is writing another record.
                if error.word != "busy" or self.port.now() + BUSY_WAIT_S >= end:
                    raise
                self.port.sleep(BUSY_WAIT_S)

    def _batch(self, fields: list[str], keep: bool) -> None:
        self.request("batch", "open")
        try:
            for line in _lines(fields):
                self.request("set", *line)
            self.request("batch", "apply", *(["keep"] if keep else []))
        except Refused:
            self._drop_batch()
            raise

    def _drop_batch(self) -> None:
        end = self.port.now() + DEADLINE_S
        while True:
            try:
                self.request("batch", "drop")
                return
            except Refused as error:
                # An apply that was refused has closed it already; what was short of memory has not.
                if error.word != "busy" or self.port.now() + BUSY_WAIT_S >= end:
                    return
                self.port.sleep(BUSY_WAIT_S)

    def save(self) -> None:
        """What runs lasts over a restart."""
        self.request("save")

    def do(self, action: str, *arguments: Value) -> dict[str, str]:
        """Do an action of the registry or of an add-on; returns the fields of the reply."""
        known = self.actions() if action.startswith(ADDON) else catalogue.ACTIONS
        entry = next((one for one in known if one.name == action), None)
        if entry is None:
            raise AirquillError(f"There is no action {action}. `airquill do` lists them.")
        if len(arguments) > len(entry.arguments):
            raise AirquillError(f"{action} takes {len(entry.arguments)} values, not {len(arguments)}.")
        texts = [to_wire(argument, value) for argument, value in zip(entry.arguments, arguments, strict=False)]
        return fields_of(self.request("do", action, *texts))

    def addons(self) -> list[str]:
        """Names of the unit's add-ons, in its order."""
        numbers = range(self.greeting.addons)
        return [fields_of(self.request("describe", "addons", str(number)))["name"] for number in numbers]

    def log(self) -> list[dict[str, int]]:
        """The unit's log, oldest entry first: number, at_s (uptime in s), what, detail."""
        out: list[dict[str, int]] = []
        at = 0
        while True:
            said = {name: int(text) for name, text in self.do("log", at).items()}
            if said.get("next", 0) == 0:
                return out
            out.append(said)
            at = said["next"]

    def wait_for_restart(self, seconds: float = 10.0) -> Greeting:
        """Greet the unit anew after it was told to restart. Raises LinkLost when it does not come back in time."""
        end = self.port.now() + seconds
        while self.port.now() < end:
            try:
                self.request("describe", deadline_s=FIRST_WAIT_S)
                self.port.sleep(FIRST_WAIT_S)
            except UnitRestarted:
                return self.greeting
            except (Silence, NotAUnit):
                continue  # a virtual unit keeps its line and is silent while it starts
            except LinkLost:
                if self._reopen():
                    return self.greeting
        raise LinkLost(self.port.url)

    def _reopen(self) -> bool:
        """A unit on USB takes its port away while it restarts: greet it when the port is back."""
        self.port.close()
        self.port.sleep(FIRST_WAIT_S)
        try:
            self.port = Port(self.port.url)
            self.greet_again()
        except AirquillError:
            return False
        return True


def _is_prompt(seen: bytes) -> bool:
    return b">>>" in seen or b"SyntaxError" in seen


def _lines(fields: list[str]) -> Iterator[list[str]]:
    """Fields in groups that fit a line."""
    room = frame.BODY_BYTES - len(f"{frame.LONGEST_ID} set")
    group: list[str] = []
    used = 0
    for text in fields:
        if group and used + len(text) + 1 > room:
            yield group
            group, used = [], 0
        group.append(text)
        used += len(text) + 1
    if group:
        yield group


_EVENT_KINDS = {event.topic: dict(event.fields) for event in catalogue.EVENTS}
_READING_KINDS = {entry.path: entry.type for entry in catalogue.READINGS}
