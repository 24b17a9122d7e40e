"""What every table of a rig or scenario file is made of: strict, frozen, on lines that are safe to print.

Knows: how a table is read, and how mistakes of our own and pydantic's are put into one error. Does not know what any
table is about.
"""

from collections.abc import Mapping
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from rvsim.rig.quantity import shown


class Table(BaseModel):
    """A table of a rig or scenario file: frozen; unknown keys and texts for numbers are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _one_line(text: str) -> str:
    if not text.strip():
        raise ValueError("this is empty; write a few words")
    if not text.isprintable():
        raise ValueError(f"{shown(text)} has a line break or another control character; write plain words")
    if text != text.strip():
        raise ValueError(f"{shown(text)} has blanks around it; remove them")
    return text


Line = Annotated[str, AfterValidator(_one_line)]
"""Words on one line, safe to print."""


class Mistake(NamedTuple):
    """One mistake, with its place below the value that is being checked."""

    place: tuple[int | str, ...]
    text: str
    given: object


def refuse(title: str, problems: list[Mistake], found: ValidationError | None = None) -> ValidationError:
    """Put mistakes of our own and those that pydantic found into one error."""
    details = found.errors(include_url=False) if found else []
    theirs = [
        InitErrorDetails(
            type=PydanticCustomError(one["type"], one["msg"], one.get("ctx")),
            loc=one["loc"],
            input=one["input"],
        )
        for one in details
    ]
    ours = [
        InitErrorDetails(type=PydanticCustomError("value_error", "{error}", {"error": text}), loc=place, input=given)
        for place, text, given in problems
    ]
    return ValidationError.from_exception_data(title, theirs + ours)


def part(entry: object, key: str) -> Any:
    """Return what a device has under a key, read or not yet read; None where there is nothing."""
    return entry.get(key) if isinstance(entry, Mapping) else getattr(entry, key, None)
