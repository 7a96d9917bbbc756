"""What JSON a result is written as: the same for every command and file."""

from __future__ import annotations

import json
from typing import Any


def json_text(found: Any) -> str:
    """Return plain dictionaries, lists and numbers as indented JSON that ends with a line break.

    Raises
    ------
    ValueError
        If a number is infinite or none, which JSON knows no word for.
    """
    return json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


class AsJson:
    """A result that tells itself as plain dictionaries, and so as JSON."""

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain, JSON-ready dictionaries."""
        raise NotImplementedError

    def to_json(self) -> str:
        """Return it as JSON text, the same bytes for the same scenario and seed."""
        return json_text(self.to_dict())
