"""The libraries that only sheets need: imported when a sheet is made, or missed with a word on how to get them."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

from bridge.errors import MethodProblem

INSTALL = "pip install 'stillbeat[sheets]'"


def sheets_can_be_made() -> bool:
    """Whether the libraries of the extra ``sheets`` are installed."""
    return all(find_spec(name) is not None for name in ("jinja2", "typst"))


def needed(name: str) -> ModuleType:
    """Import a library of the extra ``sheets``; MethodProblem if it is not installed."""
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        missing = (error.name or name).partition(".")[0]
        raise MethodProblem(f"sheets need the package {missing}, which is not installed", INSTALL) from None
