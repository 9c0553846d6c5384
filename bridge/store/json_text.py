"""Reading JSON from files that anybody may have written: every way in which it is none is an `InputProblem`."""

from __future__ import annotations

import json
from typing import Any

from bridge.errors import InputProblem


def parse_json(data: bytes, where: str, hint: str = "") -> Any:
    """Return what the JSON in `data` says; `where` names it in errors, `hint` says what it should have been.

    InputProblem if it is no JSON, holds ``Infinity`` or ``NaN`` (which are none), a number of thousands of
    digits, or brackets nested too deep.
    """
    try:
        return json.loads(data, parse_constant=_refuse, parse_float=_finite)
    except RecursionError:
        raise InputProblem(f"{where}: brackets nested too deep", hint) from None
    except ValueError as error:  # not JSON, not UTF-8, or more digits than Python reads
        raise InputProblem(f"{where} cannot be read: not JSON ({_short(error)})", hint) from None


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _finite(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise ValueError(f"{text[:20]} is too large")
    return value


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:80]
