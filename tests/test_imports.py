"""The rooms show the flow: who may import whom is written down in pyproject.toml."""

from __future__ import annotations

from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("contract", ["rooms", "circles"])
def test_imports_keep_the_contract(contract, monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    status = lint_imports(
        str(ROOT / "pyproject.toml"), limit_to_contracts=(contract,), no_cache=True, no_logo=True
    )
    assert status == 0, capsys.readouterr().out
