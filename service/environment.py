"""Settings out of the environment; a bad one is named in one clear sentence."""

from __future__ import annotations

from pathlib import Path

from annotated_types import Ge, Gt, Le, MinLen
from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from service.settings import Settings
from triage.errors import RecordError

_TYPE_WORDS = {int: "a whole number", float: "a number", bool: "true or false", str: "text", Path: "a path"}


def read_settings() -> Settings:
    """The settings of this process's environment.

    Raises
    ------
    RecordError
        If one is out of range; the message says which, what was received, what is allowed and what to do.
    """
    try:
        return Settings()
    except ValidationError as err:
        raise RecordError(_describe(err.errors()[0])) from err


def _describe(problem: ErrorDetails) -> str:
    name = str(problem["loc"][0])
    field = Settings.model_fields[name]
    variable = f"COVERSLIP_{name.upper()}"
    if problem["type"] == "value_error":
        # The rules of secrets and addresses word themselves what of the value may be shown.
        return f"{variable} {problem['ctx']['error']}."
    default = "unset" if field.default is None else field.default
    return (
        f"{variable} is {problem['input']!r}; it must be {_allowed(field)}. "
        f"Correct it, or unset it to take the default ({default})."
    )


def _allowed(field: FieldInfo) -> str:
    """What a setting may be, in words: `a whole number, at least 0, at most 65535`."""
    words = [word for kind, word in _TYPE_WORDS.items() if field.annotation in (kind, kind | None)]
    for limit in field.metadata:
        match limit:
            case Ge(ge=least):
                words.append(f"at least {least}")
            case Gt(gt=below):
                words.append(f"above {below}")
            case Le(le=most):
                words.append(f"at most {most}")
            case MinLen(min_length=length):
                words.append(f"of {length} or more characters")
    return ", ".join(words)
