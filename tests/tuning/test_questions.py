"""Questions without a sensor: what an answer is worth, which comes next, and how often that leads to the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import entropy

from airquill.errors import AirquillError
from airquill.tuning.asking import from_answers, hold, read_answers
from airquill.tuning.causes import CAUSES
from airquill.tuning.checkup import Checkup
from airquill.tuning.diagnose import Evidence, judged, reference
from airquill.tuning.model import BINS, SHIPPED_GAUGE, Model, model_for
from airquill.tuning.questions import BY_NAME, ENOUGH, QUESTIONS, Inquiry, Question, _bits, answer_tables, place_of
from benchmarks.diagnosis import part_questions

PLACES = {cause.name: place for place, cause in enumerate(CAUSES)}
Tables = dict[str, np.ndarray]


@pytest.fixture(scope="module")
def model() -> Model:
    return model_for(SHIPPED_GAUGE)


@pytest.fixture(scope="module")
def tables(model: Model) -> Tables:
    return answer_tables(model, reference(model))


@pytest.fixture
def evidence(model: Model) -> Evidence:
    nothing = Checkup(day="2026-11-25", chip="made", needle_gauge=22, altitude_m=0, figures={})
    return Evidence(model, reference(model), nothing)


def test_each_answer_has_its_likelihood_and_none_is_impossible(tables: Tables) -> None:
    for question in QUESTIONS:
        assert tables[question.name].sum(axis=2) == pytest.approx(np.ones((len(CAUSES), BINS)))
        assert tables[question.name].min() > 0.0  # an answer may be wrong


def test_expected_information_is_that_of_scipys_entropy(tables: Tables, evidence: Evidence) -> None:
    """Mutual information as H(answer) less the mean of H(answer | cause), in bits by scipy.stats.entropy."""
    shares = np.exp(evidence.logs - np.logaddexp.reduce(evidence.logs, axis=None))
    for question in QUESTIONS:
        joint = np.einsum("cb,cba->ca", shares, tables[question.name])
        of_cause = joint.sum(axis=1)
        given = sum(p * entropy(row / p, base=2) for p, row in zip(of_cause, joint, strict=True) if p > 0)
        assert _bits(shares, tables[question.name]) == pytest.approx(entropy(joint.sum(axis=0), base=2) - given)


def test_the_next_question_tells_most_and_none_comes_twice(tables: Tables, evidence: Evidence) -> None:
    inquiry = Inquiry(tables, evidence.logs, sensor=False)
    asked = []
    while (question := inquiry.next()) is not None:
        shares = np.exp(inquiry.logs - np.logaddexp.reduce(inquiry.logs, axis=None))
        left = [one for one in QUESTIONS if one.name not in asked]
        assert _bits(shares, tables[question.name]) == max(_bits(shares, tables[one.name]) for one in left)
        asked.append(question.name)
        inquiry.pass_over(question)
    assert len(asked) == len(set(asked)) and asked


SAID = {
    "tip_clog": {"needle": "better", "gauge_open": "63", "gauge_closed": "65"},
    "filter_clog": {"filter": "better", "release": "late", "gauge_closed": "64"},
    "leak": {"hose": "hiss", "finger": "weak", "port": "tight", "gauge_closed": "48"},
    "pump_still": {"listen": "still", "finger": "nothing", "gauge_closed": "0", "part": "falls"},
    "valve_open": {"release": "hangs", "finger": "hard", "gauge_closed": "65", "gauge_open": "50"},
    "valve_shut": {"port": "sucks", "finger": "nothing", "listen": "usual", "gauge_closed": "5"},
    "supply_sag": {"volts": "10.4", "listen": "slow"},
    "pedal": {"pedal": "wrong", "gauge_open": "50", "gauge_closed": "65"},
}


@pytest.mark.parametrize("cause", SAID)
def test_plain_answers_lead_to_their_cause(cause: str, tables: Tables, evidence: Evidence) -> None:
    usual = {"listen": "usual", "finger": "hard", "part": "holds", "needle": "same", "filter": "same", "hose": "tight"}
    usual |= {"port": "tight", "release": "once", "volts": "12.0", "pedal": "counts"}
    inquiry = Inquiry(tables, evidence.logs, sensor=False)
    answered = hold(inquiry, from_answers({**usual, **SAID[cause]}), None)
    said = judged(evidence, inquiry.logs)
    assert said.likeliest == cause, said.likelihoods
    assert {one.question.name for one in answered} & set(SAID[cause])


def test_one_wrong_answer_does_not_decide(tables: Tables, evidence: Evidence) -> None:
    inquiry = Inquiry(tables, evidence.logs, sensor=False)
    inquiry.answer(BY_NAME["port"], "sucks")
    assert np.exp(inquiry.logs[PLACES["valve_shut"]]).sum() < ENOUGH * np.exp(inquiry.logs).sum()


def test_without_a_sensor_the_sensors_causes_are_left_out(tables: Tables, evidence: Evidence) -> None:
    inquiry = Inquiry(tables, evidence.logs, sensor=False)
    assert all(np.isneginf(inquiry.logs[PLACES[cause.name]]).all() for cause in CAUSES if cause.sensor)


@pytest.mark.parametrize(
    ("name", "said", "why"),
    [
        ("finger", "strong", "hard, weak, nothing"),
        ("gauge_closed", "lots", "a number"),
        ("gauge_closed", "-4", "0 to 105 kPa"),
        ("gauge_closed", "nan", "a number"),
        ("volts", "230", "0 to 30 V"),
    ],
)
def test_an_answer_that_is_none_is_refused(name: str, said: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        place_of(BY_NAME[name], said)


@pytest.mark.parametrize("said", ["61.2", "61,2", " 61.2 kPa", "61.2kPa"])
def test_numbers_as_people_write_them(said: str) -> None:
    assert place_of(BY_NAME["gauge_closed"], said) == place_of(BY_NAME["gauge_closed"], "61.2")


def test_a_file_of_answers() -> None:
    text = "# seen on Tuesday\nfinger: weak\n\ngauge_closed: 48.5 # the old gauge\n"
    assert read_answers(text, "seen.txt") == {"finger": "weak", "gauge_closed": "48.5"}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("finger weak", "line 1: write question: answer"),
        ("\nthumb: weak", "line 2: write question: answer"),
        ("finger: very", "line 1: answer finger with hard, weak, nothing"),
    ],
)
def test_a_damaged_file_of_answers_names_the_line(text: str, why: str) -> None:
    with pytest.raises(AirquillError, match=why):
        read_answers(text, "seen.txt")


def test_a_person_may_be_asked_the_same_once_more(tables: Tables, evidence: Evidence) -> None:
    texts: list[str] = []

    def ask(question: Question) -> str:
        texts.append(question.text)
        return {"finger": "weak", "part": "falls"}.get(question.name, "")

    hold(Inquiry(tables, evidence.logs, sensor=False, times=2), ask, None)
    again = [text for text in texts if text.startswith("Once more")]
    assert again and len(texts) == len(set(texts))


@pytest.mark.slow
@pytest.mark.timeout(400)  # a guard against a hang: they take some ten seconds of processor time
def test_with_one_answer_in_ten_wrong_what_is_named_is_mostly_right(model: Model) -> None:
    (found,) = part_questions(model, 60, 0, seed=21).values()
    right, wrong, none = found.named_right
    assert right + wrong + none >= 45
    assert right >= 0.7 * (right + wrong) and right >= 0.4 * found.faulty
