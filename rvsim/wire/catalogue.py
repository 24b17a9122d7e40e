"""All known messages, found by DGN or by name.

Knows: that a message is matched by its DGN, whatever the source, destination or priority. Does not know how
definitions are read. A message is built only when it is asked for: a command that takes one frame apart pays
for one message.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rvsim.errors import InputError, did_you_mean
from rvsim.wire.fields import FieldSpec, Origin, Special
from rvsim.wire.spec import MessageSpec


class Catalogue:
    """The index of message definitions, from their compiled plain form; each DGN and each name is there once."""

    def __init__(self, messages: Sequence[Mapping[str, Any]]) -> None:
        self._plain = {message["dgn"]: message for message in messages}
        self._dgns = {message["name"]: message["dgn"] for message in messages}
        self._built: dict[int, MessageSpec | None] = {}

    def __len__(self) -> int:
        return len(self._plain)

    def __iter__(self) -> Iterator[MessageSpec]:
        yield from (self.by_name(name) for name in self._dgns)

    @property
    def names(self) -> list[str]:
        """The names of all messages, in the order of the files."""
        return list(self._dgns)

    def by_dgn(self, dgn: int) -> MessageSpec | None:
        """Return the message with this number, None where none is defined."""
        if dgn not in self._built:
            plain = self._plain.get(dgn)
            self._built[dgn] = None if plain is None else _build(plain)
        return self._built[dgn]

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


def _build(plain: Mapping[str, Any]) -> MessageSpec:
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
        file=plain["file"],
    )


def _field(plain: Mapping[str, Any]) -> FieldSpec:
    return FieldSpec(
        **{
            **plain,
            "labels": {int(raw): label for raw, label in plain["labels"].items()},
            "special": Special(plain["special"]),
            "origin": Origin(plain["origin"]),
            "label_origin": Origin(plain["label_origin"]),
        }
    )
