"""The command `spell`: messages by subject, one message, one frame taken apart, one frame built.

Knows: its options and which of them go together. Does not know how anything is explained (`faces.text`).
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli import options
from rvsim.faces.cli.console import print_as
from rvsim.faces.cli.exits import run_command, say

if TYPE_CHECKING:
    from rvsim.faces.text.display_units import DisplayUnits
    from rvsim.wire.catalogue import Catalogue
    from rvsim.wire.frame import Frame

Words = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="FRAME|MESSAGE...",
        help="A frame: its identifier and data in hex, or a line of a log. Or a message: its name or DGN; with values "
        "of its fields the frame is built. Without any of these all messages are listed.",
    ),
]
Find = Annotated[str | None, typer.Option("--find", metavar="WORD", help="List the messages in which a word occurs.")]
Source = Annotated[
    str | None, typer.Option("--source", metavar="HEX", help="The source address of a frame that is built.")
]
Destination = Annotated[
    str | None,
    typer.Option("--destination", metavar="HEX", help="The destination of a frame that is built; FF, all, if omitted."),
]
Priority = Annotated[
    int | None, typer.Option("--priority", metavar="N", help="The priority of a frame that is built, 0 to 7.")
]
Wire = Annotated[
    bool,
    typer.Option("--wire", help="Show the frame as the pair carries it: every bit, stuff bits, and its time."),
]
Against = Annotated[
    str | None,
    typer.Option("--against", metavar="ID", help="With --wire: which of two frames goes on if both start together."),
]


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        cls=options.Command,
        epilog=options.examples(
            "rvsim spell 19FFE45E 0100C864FFFFFFFF",
            "rvsim spell THERMOSTAT_STATUS_1",
            "rvsim spell --find tank",
            "rvsim spell DC_SOURCE_STATUS_1 instance=1 dc_voltage=13.8",
        ),
    )(spell)


def spell(
    words: Words = None,
    find: Find = None,
    source: Source = None,
    destination: Destination = None,
    priority: Priority = None,
    wire: Wire = False,
    against: Against = None,
    json: options.JsonObject = False,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Explain a message or a frame byte by byte, or build a frame."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.wire.database import load_catalogue

        shown = options.units_of(units)
        if find is not None and words:
            raise InputError("--find lists messages with a word; leave the frame or the message out")
        catalogue = load_catalogue(dbc or ())
        say(*catalogue.left_out)
        if against is not None and not wire:
            raise InputError("--against goes with --wire, which shows the bits of a frame")
        if words:
            given_address = (_address("--source", source), _address("--destination", destination), priority)
            lines = _explained(words, catalogue, shown, given_address, (wire, against), as_json=json)
        elif wire:
            raise InputError("--wire shows the bits of a frame: write its identifier and its data")
        else:
            lines = _listed(find, catalogue, as_json=json)
        print(lines)
        return ExitCode.GOOD

    raise typer.Exit(run_command(command))


def _listed(find: str | None, catalogue: "Catalogue", *, as_json: bool) -> str:
    """Return all messages, or those in which a word occurs."""
    from rvsim.faces.text import spell_list

    if find is None:
        return spell_list.list_json(catalogue) if as_json else "\n".join(spell_list.list_text(catalogue))
    found = spell_list.found_messages(find, catalogue)
    return spell_list.found_json(find, found) if as_json else "\n".join(spell_list.found_text(find, found))


def _explained(
    words: Sequence[str],
    catalogue: "Catalogue",
    units: "DisplayUnits",
    address: tuple[int | None, int | None, int | None],
    wire: tuple[bool, str | None],
    *,
    as_json: bool,
) -> str:
    """Return the explanation of what was given: a frame, a message, or a frame that is built."""
    from rvsim.faces.text.spell_given import read_given

    given = read_given(words, catalogue)
    if given.values:
        from rvsim.faces.text.spell_build import build, built_json, built_text

        source, destination, priority = address
        if priority is not None and not 0 <= priority <= 7:
            raise InputError(f"--priority {priority}: write 0 (goes first) to 7")
        spec = catalogue.by_name(given.message)
        built = build(spec, given.values, source=source, destination=destination, priority=priority)
        if wire[0]:
            return _on_the_pair(built.frame, wire[1], catalogue, as_json=as_json)
        return built_json(built) if as_json else "\n".join(built_text(built, catalogue, units))
    if any(part is not None for part in address):
        raise InputError("--source, --destination and --priority are for a frame that is built: write FIELD=VALUE")
    if wire[0]:
        if given.frame is None or not given.has_data:
            raise InputError("--wire shows the bits of a frame: write its identifier and its data")
        say(*given.notes)
        return _on_the_pair(given.frame, wire[1], catalogue, as_json=as_json)
    if given.frame is None:
        from rvsim.faces.text.spell_layout import layout_json, layout_text

        spec = catalogue.by_name(given.message)
        if as_json:
            say(*given.notes)
            return layout_json(spec)
        return "\n".join([*_notes(given.notes), *layout_text(spec, catalogue, units)])
    from rvsim.faces.text.spell import as_json as frame_json
    from rvsim.faces.text.spell import as_text, identifier_text

    if as_json:
        say(*given.notes)
        return frame_json(given.frame, catalogue)
    explained = as_text(given.frame, catalogue, units) if given.has_data else identifier_text(given.frame, catalogue)
    return "\n".join([*_notes(given.notes), *explained])


def _notes(notes: Sequence[str]) -> list[str]:
    """Return what was understood otherwise than it was written, as lines with a free one behind them."""
    from rvsim.faces.text.spell_fields import wrapped

    return [*(line for note in notes for line in wrapped(note)), *([""] if notes else [])]


def _on_the_pair(frame: "Frame", against: str | None, catalogue: "Catalogue", *, as_json: bool) -> str:
    """Return the bits of a frame, and who wins against another one."""
    from rvsim.faces.text.spell_given import read_given
    from rvsim.faces.text.spell_wire import wire_json, wire_text

    other = None
    if against is not None:
        try:
            found = read_given(against.split(), catalogue).frame
        except InputError as error:
            raise InputError(*(f"--against: {problem}" for problem in error.problems)) from None
        if found is None:
            raise InputError(f"--against {against} is not an identifier: write it like 19FFE45E")
        other = found.identifier
    return wire_json(frame, other) if as_json else "\n".join(wire_text(frame, other))


def _address(option: str, text: str | None) -> int | None:
    if text is None:
        return None
    try:
        number = int(text.lower().removeprefix("0x"), 16)
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFF:
        raise InputError(f"{option} {text} is not an address in hex: write 00 to FF, like 44")
    return number
