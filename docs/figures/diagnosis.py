"""Draws docs/figures/diagnosis.svg: the evidence that a virtual unit's filter is half clogged.

Run from the top of the tree: PYTHONPATH=host:protocol:device python docs/figures/diagnosis.py
"""

from pathlib import Path

from airquill.link.client import Client
from airquill.report.diagnose import evidence_svg
from airquill.tuning.checkup import run_checkup
from airquill.tuning.diagnose import diagnose, reference
from airquill.tuning.hands import ControlHands, control_of
from airquill.tuning.model import model_for
from airquill.tuning.tool import Tool

GAUGE = 22


def main() -> None:
    """Draw the figure and print what was diagnosed."""
    with Client.open("sim://?fault=filter_clog:0.55") as unit:
        control = control_of(unit)
        assert control is not None
        found = run_checkup(Tool(unit, ControlHands(control)), GAUGE, 0.0)
    model = model_for(GAUGE)
    said = diagnose(model, reference(model), found)
    drawing = evidence_svg(found, said)
    Path(__file__).with_suffix(".svg").write_text(drawing + "\n", encoding="utf-8")
    print(said.named, round(said.likelihoods[said.named], 3))


if __name__ == "__main__":
    main()
