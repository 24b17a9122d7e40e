"""All known messages, found by DGN or by name.

Knows: a message is identified by its DGN alone, not by source, destination or priority. Does not know how definitions
are read. A message is built from the JSON of its definition only when it is requested: a command that decodes one frame
builds one message of several hundred.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from rvsim.errors import InputError, did_you_mean
from rvsim.wire.coding import Coding, code_names
from rvsim.wire.fields import Alarm, AlarmSeverity, FieldSpec, Grades, Origin, Special
from rvsim.wire.spec import MessageSpec


class Definition(NamedTuple):
    """One message in its compiled form: DGN, name, the whole definition as JSON text, and the file it is from."""

    dgn: int
    name: str
    text: str
    file: str


class Catalogue:
    """The index of message definitions; each DGN and each name occurs once."""

    def __init__(self, definitions: Iterable[Definition], left_out: Iterable[str] = ()) -> None:
        self.left_out = tuple(left_out)
        """Lines on the messages of the user's files that cannot be used."""
        self._definitions = {definition.dgn: definition for definition in definitions}
        self._dgns = {definition.name: definition.dgn for definition in self._definitions.values()}
        self._specs: dict[int, MessageSpec | None] = {}

    def __len__(self) -> int:
        return len(self._definitions)

    def __iter__(self) -> Iterator[MessageSpec]:
        yield from (self.by_name(name) for name in self._dgns)

    @property
    def names(self) -> list[str]:
        """The names of all messages, in the order of the files."""
        return list(self._dgns)

    @property
    def dgns(self) -> list[int]:
        """The DGNs of all messages, in the order of the files."""
        return list(self._definitions)

    def by_dgn(self, dgn: int) -> MessageSpec | None:
        """Return the message with this DGN, None where none is defined."""
        if dgn not in self._specs:
            definition = self._definitions.get(dgn)
            self._specs[dgn] = None if definition is None else _build(definition)
        return self._specs[dgn]

    def by_name(self, name: str) -> MessageSpec:
        """Return the message with this name.

        Raises:
            InputError: there is none.
        """
        dgn = self._dgns.get(name)
        spec = None if dgn is None else self.by_dgn(dgn)
        if spec is None:
            raise InputError(
                f"no message is called {name}{did_you_mean(name, self._dgns)}: "
                "`rvsim about` says where the definitions were found"
            )
        return spec


def _build(definition: Definition) -> MessageSpec:
    plain = json.loads(definition.text)
    fields = tuple(_field(field) for field in plain["fields"])
    return MessageSpec(
        name=plain["name"],
        dgn=plain["dgn"],
        priority=plain["priority"],
        length=plain["length"],
        fields=fields,
        gap_us=plain["gap_us"],
        rule=plain["rule"],
        origin=Origin(plain["origin"]),
        source=plain["source"],
        comment=plain["comment"],
        file=definition.file,
    )


def _field(plain: Mapping[str, Any]) -> FieldSpec:
    by_rule = code_names(Coding(plain["coding"]))
    alarm_grade = Origin(plain["alarm_grade"])
    return FieldSpec(
        **{
            **{key: value for key, value in plain.items() if key not in ("coding", "alarm_grade")},
            "labels": {**by_rule, **{int(raw): label for raw, label in plain["labels"].items()}},
            "special": Special(plain["special"]),
            "grades": Grades(*map(Origin, plain["grades"])),
            "code_grades": {int(raw): Origin(grade) for raw, grade in plain["code_grades"].items()},
            "alarms": {int(raw): Alarm(AlarmSeverity(word), alarm_grade) for raw, word in plain["alarms"].items()},
            "moves_with": tuple(plain["moves_with"]),
        }
    )
