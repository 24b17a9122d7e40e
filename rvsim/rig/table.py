"""The base of every table of a rig or scenario file: strict, frozen, with texts that are safe to print.

Knows: how a table is validated, and how rvsim's own mistakes and pydantic's become one error. Does not know the content
of any table.
"""

from collections.abc import Mapping
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError, ValidationInfo
from pydantic_core import InitErrorDetails, PydanticCustomError

from rvsim.rig.quantity import shown


class Table(BaseModel):
    """A table of a rig or scenario file: frozen; unknown keys and texts for numbers are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _one_line(text: str) -> str:
    if not text.strip():
        raise ValueError("this is empty; write a few words")
    if not text.isprintable():
        raise ValueError(f"{shown(text)} has a line break or another control character; write plain text")
    if text != text.strip():
        raise ValueError(f"{shown(text)} has spaces around it; remove them")
    return text


OneLineText = Annotated[str, AfterValidator(_one_line)]
"""Text on one line that is safe to print."""


class Mistake(NamedTuple):
    """One mistake; ``place`` is below the value that is validated, ``given`` is the wrong value."""

    place: tuple[int | str, ...]
    text: str
    given: object


def validation_error(title: str, problems: list[Mistake], found: ValidationError | None = None) -> ValidationError:
    """Return one error with rvsim's own mistakes and those that pydantic found."""
    details = found.errors(include_url=False) if found else []
    theirs = [
        InitErrorDetails(
            type=PydanticCustomError(detail["type"], detail["msg"], detail.get("ctx")),
            loc=detail["loc"],
            input=detail["input"],
        )
        for detail in details
    ]
    ours = [
        InitErrorDetails(type=PydanticCustomError("value_error", "{error}", {"error": text}), loc=place, input=given)
        for place, text, given in problems
    ]
    return ValidationError.from_exception_data(title, theirs + ours)


def for_plan(info: ValidationInfo) -> bool:
    """Tell whether the file is read for the plan, which reports mistakes of the installation itself."""
    return bool((info.context or {}).get("for_plan"))


def entry_value(entry: object, key: str) -> Any:
    """Return a key's value in a table, validated or not, None where it has none."""
    return entry.get(key) if isinstance(entry, Mapping) else getattr(entry, key, None)
