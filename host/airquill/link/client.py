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

from airquill_protocol import frame
from airquill_protocol.fault import ProtocolError

from airquill.errors import AirquillError
from airquill.link import catalogue
from airquill.link.convert import Value, from_wire, to_wire
from airquill.link.entries import Action, Reading, Setting
from airquill.link.port import NO_UNIT, LinkLost, Port

FIRST_WAIT_S = 0.25
GREETING_S = 2.0
DEADLINE_S = 4.0
_EVENTS_KEPT = 4096
_GET_AT_ONCE = 5


class NotAUnit(AirquillError):
    """Something else is at the port. `prompt` when it is a MicroPython prompt."""

    def __init__(self, url: str, prompt: bool) -> None:
        self.prompt = prompt
        super().__init__(
            f"{url} is a MicroPython prompt without Airquill on it. Put the firmware on: `airquill image build`, then "
            "copy the file to the board's boot volume."
            if prompt
            else f"{url} does not answer as an Airquill unit. Look with `airquill find` which port is one.",
            NO_UNIT,
        )


class UnitRestarted(AirquillError):
    """The unit restarted while a request was under way: whether it was done is unknown."""

    def __init__(self, verb: str) -> None:
        super().__init__(
            f"The unit restarted during `{verb}`; whether that was done is unknown. Look with `airquill show`.", NO_UNIT
        )


class Refused(AirquillError):
    """The unit answered with an error. `number` and `word` are the registry's."""

    def __init__(self, number: int, word: str, sentence: str) -> None:
        self.number = number
        self.word = word
        # 100s the line, 200s values: what was asked is wrong. From 300 on the unit says no.
        super().__init__(sentence, 2 if number < 300 else 1)


@dataclass(frozen=True)
class Greeting:
    """What a unit says about itself."""

    protocol: int
    firmware: str
    build: str
    registry: int
    registry_hash: str
    board: str
    chip: str
    boots: int
    cause: str
    capabilities: tuple[str, ...]


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
            until = self.port.now() + wait_s
            while (left := until - self.port.now()) > 0:
                line = self.port.read_line(left)
                if line is None:
                    break
                seen = (seen + b"\n" + line)[-1000:]
                fields = self._reply_fields(line, str(self._id))
                if fields and fields[0] == "done":
                    said = dict(part.partition("=")[::2] for part in fields[1:])
                    if said.get("session") == str(session):
                        self._last_event = 0
                        return _greeting(said)
            if _is_prompt(seen + b"\n" + self.port.pending()):
                raise NotAUnit(self.port.url, prompt=True)
            wait_s *= 2
        raise NotAUnit(self.port.url, prompt=False)

    def greet_again(self) -> Greeting:
        """A new session: subscriptions and cached replies are gone. Returns what the unit says now."""
        self.greeting = self._greet()
        self._settings = None
        return self.greeting

    # -- requests ------------------------------------------------------------------------------------------------

    def request(self, verb: str, *fields: str, deadline_s: float = DEADLINE_S) -> list[str]:
        """Do one request and return the fields of its reply after `done`.

        Raises Refused when the unit says no, UnitRestarted, LinkLost when it is silent until the deadline (seconds on
        the line's clock).
        """
        self._id = self._id % frame.LONGEST_ID + 1
        try:
            line = frame.frame(" ".join([str(self._id), verb, *fields]))
        except ValueError:
            raise AirquillError(
                f"`{verb}` with {len(fields)} fields does not fit a line. Ask for fewer at a time."
            ) from None
        end = self.port.now() + deadline_s
        wait_s = FIRST_WAIT_S
        while self.port.now() < end:
            self.port.write(line)
            reply = self._await_reply(str(self._id), min(wait_s, end - self.port.now()))
            if reply is not None:
                return self._checked(reply, verb)
            wait_s *= 2
        raise LinkLost(self.port.url)

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
        if reply[0] != "error" or len(reply) < 4:
            raise AirquillError(f"The unit answered `{verb}` with what is no reply: {' '.join(reply)[:80]}", 1)
        word, sentence = reply[2], str(from_wire("text", reply[3]))
        if word == "no_session":
            boots = self.greeting.boots
            if self.greet_again().boots != boots:
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
            values[name] = from_wire(kinds.get(name) or _READING_KINDS.get(name, "word"), text)
        gap = max(0, number - self._last_event - 1)
        self._last_event = number
        self._events.append(Event(number, topic, values, self.port.now(), gap))

    def listen(self, *topics: str) -> None:
        """Hear these events and no others; none ends it."""
        self.request("listen", *(topics or ("none",)))

    def stream(self, ms: int, *paths: str) -> None:
        """Hear these readings every `ms` milliseconds as `reading` events; 0 ends it."""
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
        """Every setting that this unit has, in its order: from the registry, or described by a unit of another version."""
        if self._settings is None:
            same = self.greeting.registry_hash == catalogue.REGISTRY_HASH
            self._settings = catalogue.SETTINGS if same else tuple(self._describe_settings())
        return self._settings

    def _describe_settings(self) -> Iterator[Setting]:
        known = {entry.path: entry for entry in catalogue.SETTINGS}
        count = int(dict(part.partition("=")[::2] for part in self.request("describe"))["settings"])
        for number in range(count):
            said = dict(part.partition("=")[::2] for part in self.request("describe", "settings", str(number)))
            yield _described(said, known.get(said["path"]))

    def setting(self, path: str) -> Setting | None:
        return next((entry for entry in self.settings() if entry.path == path), None)

    def get(self, *paths: str) -> dict[str, Value]:
        """Values of settings and readings, by path. As many requests as it takes."""
        kinds = {entry.path: entry.type for entry in self.settings()} | _READING_KINDS
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
            for part in reply:
                path, _, text = part.partition("=")
                out[path] = from_wire(kinds.get(path, "word"), text)
            at += size
            size = _GET_AT_ONCE
        return out

    def all_settings(self) -> dict[str, Value]:
        """Every setting's running value, by path."""
        kinds = {entry.path: entry.type for entry in self.settings()}
        return self._list("settings", kinds)

    def all_readings(self) -> dict[str, Value]:
        """Every reading's value, by path; None where this unit has no part for it."""
        return self._list("readings", _READING_KINDS)

    def _list(self, what: str, kinds: dict[str, str]) -> dict[str, Value]:
        out: dict[str, Value] = {}
        at = "0"
        while True:
            first, *parts = self.request("list", what, at)
            for part in parts:
                path, _, text = part.partition("=")
                out[path] = from_wire(kinds.get(path, "word"), text)
            at = first.partition("=")[2]
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
        self.request("batch", "open")
        try:
            for line in _lines(fields):
                self.request("set", *line)
            self.request("batch", "apply", *(["keep"] if keep else []))
        except Refused:
            self._drop_batch()
            raise

    def _drop_batch(self) -> None:
        try:
            self.request("batch", "drop")
        except Refused:
            return  # an apply that was refused has closed it already

    def save(self) -> None:
        """What runs lasts over a restart."""
        self.request("save")

    def do(self, action: str, *arguments: Value) -> dict[str, str]:
        """Do an action of the registry; returns the fields of the reply."""
        entry = next((a for a in catalogue.ACTIONS if a.name == action), Action(action, 0, (), "", ""))
        texts = [to_wire(argument, value) for argument, value in zip(entry.arguments, arguments, strict=True)]
        return dict(part.partition("=")[::2] for part in self.request("do", action, *texts))

    def log(self) -> list[dict[str, int]]:
        """The unit's log, oldest entry first: number, at_s (uptime in s), what, detail."""
        out: list[dict[str, int]] = []
        at = 0
        while True:
            said = {name: int(text) for name, text in self.do("log", at).items()}
            if said["next"] == 0:
                return out
            out.append(said)
            at = said["next"]

    def wait_for_restart(self, seconds: float = 10.0) -> Greeting:
        """Greet the unit anew after it was told to restart. Raises LinkLost when it does not come back in time."""
        boots = self.greeting.boots
        end = self.port.now() + seconds
        while self.port.now() < end:
            self.port.sleep(0.1)
            try:
                if self.greet_again().boots != boots:
                    return self.greeting
            except (LinkLost, NotAUnit):
                self._reopen()
        raise LinkLost(self.port.url)

    def _reopen(self) -> None:
        url = self.port.url
        self.port.close()
        try:
            self.port = Port(url)
        except AirquillError:
            return


def _greeting(said: dict[str, str]) -> Greeting:
    caps = said.get("caps", "none")
    return Greeting(
        int(said["protocol"]),
        said.get("firmware", ""),
        said.get("build", ""),
        int(said.get("registry", "0")),
        said.get("hash", ""),
        said.get("board", ""),
        said.get("chip", ""),
        int(said.get("boots", "0")),
        said.get("cause", ""),
        () if caps == "none" else tuple(caps.split(",")),
    )


def _is_prompt(seen: bytes) -> bool:
    return b">>>" in seen or b"SyntaxError" in seen


def _described(said: dict[str, str], known: Setting | None) -> Setting:
    kind = said["type"]
    lowest, highest = (
        from_wire("dec2" if kind in ("dec1", "dec2") else "int", said[name]) for name in ("lowest", "highest")
    )
    return Setting(
        said["path"],
        int(said["id"]),
        kind,
        lowest,  # type: ignore[arg-type]
        highest,  # type: ignore[arg-type]
        str(from_wire("text", said["unit"])),
        () if said["words"] == "-" else tuple(said["words"].split(",")),
        from_wire(kind, said["default"]),  # type: ignore[arg-type]
        said["live"] == "yes",
        said["keep"],
        int(said["since"]),
        known.help if known else "",
    )


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


def readings_by_path() -> dict[str, Reading]:
    return {entry.path: entry for entry in catalogue.READINGS}


_EVENT_KINDS = {event.topic: dict(event.fields) for event in catalogue.EVENTS}
_READING_KINDS = {entry.path: entry.type for entry in catalogue.READINGS}
