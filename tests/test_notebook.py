"""The notebook under reports/ runs from its first cell to its last, and shows what it says."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import matplotlib.pyplot as plt
import pytest

REPORTS = Path(__file__).parents[1] / "reports"


def cells():
    text = (REPORTS / "from-python.ipynb").read_text(encoding="utf-8")
    found = json.loads(text)
    assert found["nbformat"] == 4
    return ["".join(one["source"]) for one in found["cells"] if one["cell_type"] == "code"]


@pytest.mark.slow
def test_every_cell_runs_and_its_last_line_shows_itself(monkeypatch, capsys):
    monkeypatch.chdir(REPORTS)
    names = {}
    shown = {}
    for number, cell in enumerate(cells()):
        tree = ast.parse(cell)
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, f"cell {number}", "exec"), names)
        if last is not None:
            shown[number] = eval(compile(ast.Expression(last.value), "last", "eval"), names)
    plt.close("all")
    assert "overrun" in repr(names["run"].figures)
    assert names["run"].verdict.sentence.startswith("Does not meet 500 kHz")
    assert names["deeper"].run().verdict.sentence.startswith("Meets 500 kHz")
    assert names["sizing"].meets
    assert 1 <= names["sizing"].answer <= 4
    said = capsys.readouterr().out
    assert "Does not meet 500 kHz" in said
    assert shown[0]._repr_html_().startswith("<b>A host that stalls")
    assert "overruns" in shown[max(shown)]
