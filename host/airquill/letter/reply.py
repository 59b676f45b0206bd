"""The draft of a reply to a buyer: what is seen, what to do next, what can hurt. The maker reads it before it goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from textwrap import fill

from airquill.letter.compare import Accepted, Comparison, FigureRow, Logged, figures_measured, shown, title_of
from airquill.letter.model import Letter
from airquill.link.catalogue import FAULTS
from airquill.tuning.baseline import Baseline
from airquill.tuning.causes import BY_NAME, HEALTHY, Cause
from airquill.tuning.diagnose import Diagnosis, Evidence, reference
from airquill.tuning.diagnose import judged as weighed
from airquill.tuning.model import Model
from airquill.tuning.questions import BY_NAME as QUESTIONS
from airquill.tuning.questions import Inquiry, answer_tables

COLUMNS = 72
_FAR = 3.0  # standard deviations
# What a change must be to be worth a sentence, by the figure's unit: a share of what was accepted, and so much.
_LEAST_SHARE = {"kpa": 0.10, "ms": 0.25}
_LEAST_CHANGE = {"kpa": 1.0, "ms": 5.0, "kpa_s": 1.0, "v": 0.3}
_MOST_SETTINGS = 8
_POSSIBLE = 0.1
# Logged by what is done on purpose: a stop by the host is how each test leaves the unit safe.
_ORDINARY = {"stopped_by_host", "factory_settings", "learn_gap"}
_KINDS = {entry.word: entry.kind for entry in FAULTS}
_OPEN_UP = "Switch the 12 V supply off and let the vacuum go before you open anything."
_ASK_MORE = "Run airquill diagnose: it asks for a few trials, such as another needle, and tells more."
_NO_STOP = "The pedal is a process input, never an emergency stop."


@dataclass
class Reply:
    """A reply by its parts. `text` is what goes into a mail."""

    about: str
    seen: list[str] = field(default_factory=list)
    next: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    def text(self) -> str:
        """Plain text, wrapped for a mail."""
        parts = ["Hello,", fill(self.about, COLUMNS, break_on_hyphens=False)]
        for title, points in (
            ("What we see in your letter:", self.seen),
            ("What to do next:", self.next),
            ("Please mind:", self.cautions),
        ):
            if points:
                parts.append("\n".join([title, *(_point(point, n, title) for n, point in enumerate(points, 1))]))
        parts.append("With kind regards")
        return "\n\n".join(parts) + "\n"


def _point(point: str, number: int, title: str) -> str:
    lead = f"{number}. " if "next" in title else "- "
    # A command line that is broken at its hyphens is another one.
    return fill(point, COLUMNS, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False)


def tells(letter: Letter) -> bool:
    """Whether the letter holds anything by which causes can be judged."""
    checkup = letter.checkup
    return checkup is not None and bool(checkup.traces or checkup.stopped_by or letter.answers)


def judged(letter: Letter, accepted: Accepted | None, model: Model) -> Diagnosis | None:
    """What the letter's test and answers say of the causes; None where it holds nothing that does."""
    if letter.checkup is None or not tells(letter):
        return None
    figures = {name: value for name, value in figures_measured(letter).items() if value is not None}
    checkup = letter.checkup.model_copy(update={"figures": figures})
    baseline, good = None, []
    if accepted is not None:
        good = [dict(one) for one in accepted.others]
        gauge = accepted.needle_gauge or checkup.needle_gauge
        if gauge == checkup.needle_gauge and accepted.figures:
            baseline = Baseline(letter.made[:10], gauge, dict(accepted.figures))
    evidence = Evidence(model, expected := reference(model, baseline, good), checkup)
    inquiry = Inquiry(answer_tables(model, expected), evidence.logs, sensor=bool(checkup.traces))
    for name, said in letter.answers.items():
        inquiry.answer(QUESTIONS[name], said)
    return weighed(evidence, inquiry.logs)


def drafted(letter: Letter, accepted: Accepted | None, found: Comparison, diagnosis: Diagnosis | None) -> Reply:
    """The draft. It says nothing that the maker alone should weigh: see `Comparison.doubts`."""
    unit = letter.unit
    who = f"unit {unit.serial}" if unit.serial else f"the unit with chip {unit.chip}"
    against = f", and compared it with {accepted.source}" if accepted is not None else ""
    reply = Reply(f"Thank you for your letter of {letter.made[:10]}. We read what {who} says of itself{against}.")
    reply.seen += found.versions
    _tell_settings(reply, found)
    _tell_log(reply, found.log)
    _tell_test(reply, letter, found, diagnosis)
    for sentence in found.counters:
        reply.seen.append(sentence)
    if any("filter" in sentence for sentence in found.counters) and not _names(diagnosis, "filter_clog"):
        _add(reply, BY_NAME["filter_clog"])
    if not reply.next:
        reply.next.append(
            "Nothing needs to be done to the unit. If something bothers you, tell us in words what it is."
        )
    else:
        reply.next.append("Then make another letter, with a test, and send it: airquill letter after.letter")
        reply.cautions.append(_NO_STOP)
    return reply


def _tell_settings(reply: Reply, found: Comparison) -> None:
    if found.settings and found.settings_against != "factory settings":
        some = "; ".join(f"{path} is {here}, was {there}" for path, here, there in found.settings[:_MOST_SETTINGS])
        more = f"; and {len(found.settings) - _MOST_SETTINGS} more" if len(found.settings) > _MOST_SETTINGS else ""
        reply.seen.append(f"Settings that are not as we shipped them: {some}{more}.")


def _tell_log(reply: Reply, log: Sequence[Logged]) -> None:
    for entry in log:
        # Once and long ago may have been a check of acceptance, which makes faults to see that the unit notices.
        if entry.word in _ORDINARY or not (entry.lately or entry.times > 1):
            continue
        times = "once" if entry.times == 1 else f"{entry.times} times"
        when = ", also since its last start" if entry.lately else ""
        reply.seen.append(f"The log has {entry.word} {times}{when}. {entry.sentence}")
        if _KINDS.get(entry.word) == "fault" and entry.lately:
            reply.next.append(f"{entry.word}: {entry.sentence}")


def _tell_test(reply: Reply, letter: Letter, found: Comparison, diagnosis: Diagnosis | None) -> None:
    checkup = letter.checkup
    if checkup is None:
        reply.seen.append("It holds no test, so nothing can be said about the air.")
        reply.next.append(
            "Let the unit test itself: airquill letter NEW.letter, without --no-test. It takes two minutes."
        )
        return
    away = diagnosis.against_healthy if diagnosis is not None else {}
    for row in found.figures:
        if _is_notable(row, away):
            reply.seen.append(_figure_sentence(row, abs(away.get(row.name, 0.0)) >= _FAR))
    for name, said in letter.answers.items():
        question = QUESTIONS[name]
        reply.seen.append(
            f"You said to “{question.text}”: {question.answers.get(said, f'{said} {question.unit}'.strip())}."
        )
    if checkup.stopped_by:
        reply.seen.append(f"The fault {checkup.stopped_by} stopped the test, so it is not whole.")
    if diagnosis is None:
        reply.seen.append("The unit has no vacuum sensor, so its test says nothing about the air.")
        reply.next.append(_ASK_MORE)
    elif diagnosis.named == HEALTHY:
        reply.seen.append("The test finds nothing wrong.")
    elif diagnosis.named:
        cause = BY_NAME[diagnosis.named]
        share = diagnosis.likelihoods[diagnosis.named]
        reply.seen.append(f"The test points to this: {cause.title} ({likelihood(share)}).")
        _add(reply, cause)
    else:
        _tell_doubt(reply, diagnosis)


def _tell_doubt(reply: Reply, diagnosis: Diagnosis) -> None:
    """No cause is sure: those that are possible, and how to learn more."""
    if diagnosis.strange:
        reply.seen.append("From the test we cannot tell what is wrong: it is unlike every cause that we know.")
    else:
        possible = [
            f"{BY_NAME[name].title} ({likelihood(share)})"
            for name, share in diagnosis.likelihoods.items()
            if share >= _POSSIBLE
        ]
        reply.seen.append(f"From the test we cannot tell for sure. These come into question: {'; '.join(possible)}.")
    reply.next.append(_ASK_MORE)
    reply.cautions.append(_OPEN_UP)


def likelihood(share: float) -> str:
    """A likelihood as people read it: nothing is certain."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _add(reply: Reply, cause: Cause) -> None:
    reply.next.append(cause.do)
    if cause.caution:
        reply.cautions.append(cause.caution)


def _names(diagnosis: Diagnosis | None, cause: str) -> bool:
    return diagnosis is not None and diagnosis.named == cause


def _is_notable(row: FigureRow, away: dict[str, float]) -> bool:
    """Whether a figure is worth a sentence: outside its limits, or far from what it should be and much changed."""
    if row.now is None:
        return False
    if row.is_outside:
        return True
    kind = "kpa_s" if row.name.endswith("_kpa_s") else row.name.rpartition("_")[2]
    if kind not in _LEAST_CHANGE:
        return kind == "missed" and row.now > 0
    if row.name in away and abs(away[row.name]) < _FAR:
        return False
    if row.accepted is None:
        return row.name in away
    change = abs(row.now - row.accepted)
    return change > max(_LEAST_CHANGE[kind], _LEAST_SHARE.get(kind, 0.0) * abs(row.accepted))


def _figure_sentence(row: FigureRow, is_far: bool) -> str:
    now = f"{title_of(row.name)}: {shown(row.name, row.now)}"
    if row.is_outside:
        ends = [f"at least {shown(row.name, row.low)}"] if row.low is not None else []
        ends += [f"at most {shown(row.name, row.high)}"] if row.high is not None else []
        now += f", wanted {' and '.join(ends)}"
    if row.accepted is not None:
        return f"{now}; when accepted {shown(row.name, row.accepted)}."
    return f"{now}; good units differ from that." if is_far and not row.is_outside else f"{now}."
