"""The libraries that only sheets need: imported when a sheet is made, or missed with a word on how to get them."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

from bridge.errors import MethodProblem


def needed(name: str) -> ModuleType:
    """Import a library of the extra ``sheets``.

    Raises
    ------
    MethodProblem
        It is not installed.
    """
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        missing = (error.name or name).partition(".")[0]
        raise MethodProblem(
            f"sheets need the package {missing}, which is not installed", "pip install 'stillbeat[sheets]'"
        ) from None
