"""The command `spell`: messages by subject, one message, one frame taken apart, one frame built.

Knows: its options and which of them go together. Does not know how anything is explained (`faces.text`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli import completion, options
from rvsim.faces.cli.console import print_as
from rvsim.faces.cli.exits import run_command, say

if TYPE_CHECKING:
    from rvsim.faces.page.page import Page
    from rvsim.faces.text.display_units import DisplayUnits
    from rvsim.faces.text.spell_given import Given
    from rvsim.wire.catalogue import Catalogue
    from rvsim.wire.frame import Frame
    from rvsim.wire.spec import MessageSpec

    Explained = tuple[str, Callable[[], Page]]
    """What is printed, and the page of it, made when it is asked for."""

Words = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="FRAME|MESSAGE...",
        help="A frame: its identifier and data in hex, or a line of a log. Or a message: its name or DGN; with values "
        "of its fields the frame is built; behind a frame, values change it. Without any of these all messages are "
        "listed.",
        autocompletion=completion.spelled,
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
Bits = Annotated[bool, typer.Option("--bits", help="Show a picture of the frame's bits, each with its field.")]
Wire = Annotated[
    bool,
    typer.Option("--wire", help="Show the frame as the pair carries it: every bit, stuff bits, and its time."),
]
Against = Annotated[
    str | None,
    typer.Option("--against", metavar="ID", help="With --wire: which of two frames goes on if both start together."),
]
Tables = Annotated[
    Path | None,
    typer.Option("--tables", metavar="FILE", help="Write a page of all messages, with a calculator for each, to FILE."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="With --html or --tables: replace FILE if it exists.")]


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        cls=options.Command,
        epilog=options.examples(
            "rvsim spell 19FFE45E 0100C864FFFFFFFF",
            "rvsim spell THERMOSTAT_STATUS_1",
            "rvsim spell --find tank",
            "rvsim spell DC_SOURCE_STATUS_1 instance=1 dc_voltage=13.8",
            "rvsim spell --tables messages.html",
        ),
    )(spell)


def spell(
    words: Words = None,
    find: Find = None,
    source: Source = None,
    destination: Destination = None,
    priority: Priority = None,
    bits: Bits = False,
    wire: Wire = False,
    against: Against = None,
    json: options.JsonObject = False,
    html: options.Html = None,
    tables: Tables = None,
    overwrite: Overwrite = False,
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
        others = (find, source, destination, priority, against, html) != (None,) * 6 or bits or wire or json
        if tables is not None and (words or others):
            raise InputError("--tables writes a page of all messages: only --dbc, --units and --overwrite go with it")
        _check_pages(html, tables, overwrite=overwrite)
        catalogue = load_catalogue(dbc or ())
        say(*catalogue.left_out)
        if tables is not None:
            from rvsim.faces.page.reference_page import reference_page

            _write("--tables", tables, reference_page(catalogue, shown), overwrite=overwrite)
            return ExitCode.GOOD
        if against is not None and not wire:
            raise InputError("--against goes with --wire, which shows the bits of a frame")
        if words:
            given_address = (_address("--source", source), _address("--destination", destination), priority)
            given = _Asked(
                words=words,
                catalogue=catalogue,
                units=shown,
                address=given_address,
                bits=bits,
                wire=wire,
                against=against,
                json=json,
            )
            lines, page = _explained(given)
        elif wire or bits:
            name = "--wire" if wire else "--bits"
            raise InputError(f"{name} shows the bits of a frame: write its identifier and its data")
        elif html is not None:
            raise InputError("--html is for a message or a frame: name one; a page of all messages is --tables FILE")
        else:
            lines, page = _listed(find, catalogue, as_json=json), None
        if html is not None and page is not None:  # before the lines: who reads only the first of them has the page
            _write("--html", html, page(), overwrite=overwrite)
        print(lines)
        return ExitCode.GOOD

    raise typer.Exit(run_command(command))


def _check_pages(html: Path | None, tables: Path | None, *, overwrite: bool) -> None:
    """Check the file of a page before anything is done."""
    if html is None and tables is None:
        if overwrite:
            raise InputError("--overwrite goes with --html FILE or --tables FILE: add one, or leave --overwrite out")
        return
    from rvsim.faces.page.page import check_page_file

    for option, path in (("--html", html), ("--tables", tables)):
        if path is not None:
            check_page_file(path, overwrite=overwrite, option=option)


def _write(option: str, path: Path, page: "Page", *, overwrite: bool) -> None:
    from rvsim.faces.page.page import write_page

    write_page(path, page, overwrite=overwrite, option=option)
    say(f"the page is in {path}; it needs no network")


def _listed(find: str | None, catalogue: "Catalogue", *, as_json: bool) -> str:
    """Return all messages, or those in which a word occurs."""
    from rvsim.faces.text import spell_list

    if find is None:
        return spell_list.list_json(catalogue) if as_json else "\n".join(spell_list.list_text(catalogue))
    found = spell_list.found_messages(find, catalogue)
    return spell_list.found_json(find, found) if as_json else "\n".join(spell_list.found_text(find, found))


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What is to be explained, and how."""

    words: Sequence[str]
    catalogue: "Catalogue"
    units: "DisplayUnits"
    address: tuple[int | None, int | None, int | None]
    """Source, destination and priority of a frame that is built."""
    bits: bool
    wire: bool
    against: str | None
    json: bool


def _explained(asked: _Asked) -> "Explained":
    """Return the explanation of what was given, a frame, a message or a frame that is built, and its page."""
    from rvsim.faces.text.spell_given import read_given

    given = read_given(asked.words, asked.catalogue)
    if asked.bits and (asked.wire or asked.json):
        raise InputError("--bits prints a picture of the bits alone: leave --wire and --json out")
    if given.values:
        return _built(asked, given)
    if any(part is not None for part in asked.address):
        raise InputError("--source, --destination and --priority are for a frame that is built: write FIELD=VALUE")
    if asked.wire:
        if given.frame is None or not given.has_data:
            raise InputError("--wire shows the bits of a frame: write its identifier and its data")
        say(*given.notes)
        return _on_the_pair(asked, given.frame)
    return _message(asked, given) if given.frame is None else _frame(asked, given, given.frame)


def _built(asked: _Asked, given: "Given") -> "Explained":
    """Return the explanation of a frame that is built out of values, or changed by them."""
    from rvsim.faces.text.spell_build import build, built_json, built_text, change

    source, destination, priority = asked.address
    if priority is not None and not 0 <= priority <= 7:
        raise InputError(f"--priority {priority}: write 0 (goes first) to 7")
    if given.frame is None:
        spec = asked.catalogue.by_name(given.message)
        built = build(spec, given.values, source=source, destination=destination, priority=priority)
    else:
        spec = _spec_of(given.frame, asked.catalogue)
        say(*given.notes)
        built = change(spec, given.frame, given.values, source=source, destination=destination, priority=priority)
    if asked.wire:
        return _on_the_pair(asked, built.frame)

    def page() -> "Page":
        from rvsim.faces.page.frame_page import frame_page

        return frame_page(built.frame, asked.catalogue, asked.units, built=built)

    if asked.bits:
        return _picture(asked, built.frame), page
    if asked.json:
        return built_json(built), page
    return "\n".join(built_text(built, asked.catalogue, asked.units)), page


def _notes(notes: Sequence[str]) -> list[str]:
    """Return what was understood otherwise than it was written, as lines with a free one behind them."""
    from rvsim.faces.text.spell_fields import wrapped

    return [*(line for note in notes for line in wrapped(note)), *([""] if notes else [])]


def _message(asked: _Asked, given: "Given") -> "Explained":
    """Return the layout of a message."""
    from rvsim.faces.text.spell_example import example_frame
    from rvsim.faces.text.spell_layout import layout_json, layout_text
    from rvsim.faces.text.spell_senders import parties

    spec = asked.catalogue.by_name(given.message)

    def page() -> "Page":
        from rvsim.faces.page.frame_page import message_page

        return message_page(spec, asked.units)

    if asked.bits:
        if not spec.fields:
            raise InputError(f"{spec.name} is known by name only: no layout is established, so it has no bits to show")
        return _picture(asked, example_frame(spec, parties(spec))), page
    if asked.json:
        say(*given.notes)
        return layout_json(spec), page
    return "\n".join([*_notes(given.notes), *layout_text(spec, asked.catalogue, asked.units)]), page


def _frame(asked: _Asked, given: "Given", frame: "Frame") -> "Explained":
    """Return the explanation of a frame, or of an identifier alone."""
    from rvsim.faces.text.spell import as_json, as_text, identifier_text

    def page() -> "Page":
        from rvsim.faces.page.frame_page import frame_page

        return frame_page(frame, asked.catalogue, asked.units, notes=given.notes, has_data=given.has_data)

    if asked.json or asked.bits:
        say(*given.notes)
        return (_picture(asked, frame) if asked.bits else as_json(frame, asked.catalogue)), page
    lines = as_text(frame, asked.catalogue, asked.units) if given.has_data else identifier_text(frame, asked.catalogue)
    return "\n".join([*_notes(given.notes), *lines]), page


def _picture(asked: _Asked, frame: "Frame") -> str:
    """Return the picture of a frame's bits as text."""
    from rvsim.faces.text.bit_picture import frame_rows, picture_text
    from rvsim.wire.ident import dgn_of

    return "\n".join(picture_text(frame_rows(frame, asked.catalogue.by_dgn(dgn_of(frame.identifier)), asked.units)))


def _spec_of(frame: "Frame", catalogue: "Catalogue") -> "MessageSpec":
    from rvsim.wire.ident import dgn_of

    dgn = dgn_of(frame.identifier)
    spec = catalogue.by_dgn(dgn)
    if spec is None:
        raise InputError(f"no message has the DGN {dgn:05X} hex, so {frame.identifier:08X} has no fields to change")
    return spec


def _on_the_pair(asked: _Asked, frame: "Frame") -> "Explained":
    """Return the bits of a frame on the pair, and who wins against another one."""
    from rvsim.faces.text.spell_given import read_given
    from rvsim.faces.text.spell_wire import wire_json, wire_text

    other: int | None = None
    if asked.against is not None:
        try:
            found = read_given(asked.against.split(), asked.catalogue).frame
        except InputError as error:
            raise InputError(*(f"--against: {problem}" for problem in error.problems)) from None
        if found is None:
            raise InputError(f"--against {asked.against} is not an identifier: write it like 19FFE45E")
        other = found.identifier

    def page() -> "Page":
        from rvsim.faces.page.frame_page import wire_page

        return wire_page(frame, other)

    return wire_json(frame, other) if asked.json else "\n".join(wire_text(frame, other)), page


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
