"""What the shell proposes behind Tab: messages, fields and their codes, devices, scenarios, rigs, words, topics.

Knows: where these names are found without a model of a rig, without cantools and without the screen, and what bash does
to a word with ``=`` in it. Does not know the scripts of the shells, which are typer's.

What cannot be read gives no proposals: an error would be printed into the line that is being typed.
"""

import io
import os
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from rvsim.errors import RvsimError

if TYPE_CHECKING:
    from rvsim.wire.catalogue import Catalogue
    from rvsim.wire.fields import FieldSpec

PROGRAM = "rvsim"
VARIABLE = "_RVSIM_COMPLETE"
"""The variable in which a script of a shell asks for proposals, as typer names it."""
UNITS = ("metric", "us")
KIND_NAMES = (
    "panel", "heater", "air_furnace", "water_heater", "water_pump", "circulation_pump", "roof_fan", "air_conditioner",
    "charger", "solar_controller", "alternator", "dc_dc_charger", "inverter", "generator", "dc_disconnect",
    "battery_monitor", "tank", "ambient", "fridge", "keypad", "load_centre", "awning", "window_shade", "lock", "own",
)  # fmt: skip
"""The kinds of simulated devices. Here as names alone, since importing the classes takes too long for a proposal."""
CHECK_NAMES = (
    "currents", "conductors", "fuses", "ladder", "harness", "identity", "providers", "budget", "endurance", "spare",
)  # fmt: skip
"""The checks of a plan, by their names alone for the same reason."""
_SPECIAL_IN_BASH = re.compile(r"([^\w@%+=:,./°-])")
_DEFAULT_SCENARIO = "winter_evening"


def is_completing() -> bool:
    """Tell whether a shell asks for proposals or for its script."""
    return VARIABLE in os.environ


def complete(app: Callable[..., object]) -> None:
    """Run the program so that it answers a shell.

    Help texts are printed as they are: typer would render them with rich, and importing that takes most of the time.
    Control characters are not replaced here, since fish needs its tabs; proposals with any are left out.
    """
    loaded = {name: sys.modules[name] for name in ("rich",) if name in sys.modules}
    sys.modules["rich"] = None  # type: ignore[assignment]  # to typer as if it were not installed
    try:
        if os.environ[VARIABLE] == "complete_bash":
            _complete_in_bash(app)
        else:
            app(prog_name=PROGRAM)
    finally:
        del sys.modules["rich"]
        sys.modules.update(loaded)


def _complete_in_bash(app: Callable[..., object]) -> None:
    """Answer bash, which takes ``name=value`` for three words and inserts a proposal as it is, blanks and all."""
    words, current = os.environ.get("COMP_WORDS", "").split("\n"), os.environ.get("COMP_CWORD", "")
    joined, place = _with_equals_joined(words, int(current) if current.isdecimal() else len(words))
    os.environ["COMP_WORDS"], os.environ["COMP_CWORD"] = "\n".join(joined), str(place)
    written = io.StringIO()
    try:
        with redirect_stdout(written):
            app(prog_name=PROGRAM)
    finally:
        typed = joined[place] if place < len(joined) else ""
        before = typed[: typed.rindex("=") + 1] if "=" in typed else ""
        is_quoted = typed.removeprefix(before)[:1] in ("'", '"')
        for line in filter(None, written.getvalue().splitlines()):
            proposal = line.removeprefix(before)
            print(proposal if is_quoted else _SPECIAL_IN_BASH.sub(r"\\\1", proposal))


def _with_equals_joined(words: list[str], current: int) -> tuple[list[str], int]:
    """Return the words with ``name``, ``=`` and ``value`` as one word again, and the new place of the current one."""
    joined: list[str] = []
    place = current
    for number, word in enumerate(words):
        follows = number > 0 and (word == "=" or (words[number - 1] == "=" and word != ""))
        if follows and joined:
            joined[-1] += word
            place -= number <= current
        else:
            joined.append(word)
    return joined, place


def _named(names: Iterable[str], typed: str, given: Iterable[str] = ()) -> list[str]:
    """Return the names that begin with what is typed, without those that are given already."""
    taken = set(given)
    return [one for one in dict.fromkeys(names) if one.startswith(typed) and one.isprintable() and one not in taken]


def _in_any_case(names: Iterable[str], typed: str) -> list[str]:
    """Return the names that begin with what is typed in upper or lower case, in the case of what is typed."""
    if not typed or (typed != typed.lower() and typed != typed.upper()):
        return _named(names, typed)
    lower = typed == typed.lower()
    exact = _named(names, typed)
    return exact or _named([name.lower() if lower else name.upper() for name in names], typed)


# Messages and their fields.


def _catalogue(ctx: typer.Context) -> "Catalogue":
    from rvsim.wire.database import load_catalogue

    return load_catalogue([Path(one) for one in ctx.params.get("dbc") or ()])


def messages(ctx: typer.Context, incomplete: str) -> list[str]:
    """Propose names of messages; in lower case where they are typed so."""
    try:
        return _in_any_case(_catalogue(ctx).names, incomplete)
    except RvsimError:
        return []


def spelled(ctx: typer.Context, incomplete: str) -> list[str]:
    """Propose a message, or behind one its fields, and behind ``field=`` what can be written there."""
    words = list(ctx.params.get("words") or ())
    if not words:
        return messages(ctx, incomplete)
    try:
        fields = _fields_of(words[0], _catalogue(ctx))
    except RvsimError:
        return []
    return _fields(fields, [word.partition("=")[0] for word in words[1:]], incomplete)


def _fields_of(message: str, catalogue: "Catalogue") -> Mapping[str, "FieldSpec"]:
    """Return the fields of a message by its name in any case, or by its DGN in hex; none where there is no such one."""
    if message.upper() in catalogue.names:
        return catalogue.by_name(message.upper()).by_name
    spec = catalogue.by_dgn(int(message, 16)) if re.fullmatch("[0-9A-Fa-f]{4,5}", message) else None
    return {} if spec is None else spec.by_name


def _fields(fields: Mapping[str, "FieldSpec"], given: list[str], typed: str) -> list[str]:
    name, equals, _ = typed.partition("=")
    if equals and name in fields:
        return _named([f"{name}={value}" for value in _values(fields[name])], typed)
    found = _named(fields, typed, given)
    if len(found) == 1:  # its values at once: of a single proposal the shell would end the word with a blank
        return [f"{found[0]}={value}" for value in _values(fields[found[0]])]
    return [f"{one}=" for one in found]


def _values(field: "FieldSpec") -> list[str]:
    """Return what can be written for a field: its codes, else its lowest and highest value; and its special codes."""
    from rvsim.faces.text.spell_fields import WRITTEN_STATES, exact

    codes = [label.replace(" ", "_") for label in field.codes]
    ends = [] if codes else [exact(field, raw * field.scale + field.offset) for raw in field.raw_limits]
    states = [word.replace(" ", "_") for word, state in WRITTEN_STATES.items() if state in field.states.values()]
    return list(dict.fromkeys([*codes, *ends, *states]))


# Vehicles.


def _toml_files(typed: str) -> list[str]:
    """Return the TOML files whose path begins with what is typed."""
    folder, _, start = typed.rpartition("/")
    try:
        found = sorted(Path(f"{folder}/" if folder or typed.startswith("/") else ".").iterdir())
    except (OSError, ValueError):
        return []
    before = typed[: len(typed) - len(start)]
    return [f"{before}{one.name}" for one in found if one.suffix == ".toml" and one.name.startswith(start)]


def _shipped(folder: str) -> list[str]:
    from rvsim import shipped

    try:
        return sorted(path.stem for path in (shipped.scenario_folder() / folder).glob("*.toml"))
    except RvsimError:
        return []


def scenarios(ctx: typer.Context, incomplete: str) -> list[str]:
    """Propose shipped scenarios, and TOML files."""
    several = ctx.params.get("scenarios")
    given = several if isinstance(several, list | tuple) else ()
    return _named([*_shipped("."), *_toml_files(incomplete)], incomplete, given)


def scenarios_and_logs(incomplete: str) -> list[str]:
    """Propose shipped scenarios and files whose name begins so; nothing typed: scenarios alone."""
    here = sorted(path.name for path in Path().iterdir() if path.is_file()) if incomplete else []
    return _named([*_shipped("."), *here], incomplete)


def rigs(incomplete: str) -> list[str]:
    """Propose shipped rigs, and TOML files."""
    return _named([*_shipped("rigs"), *_toml_files(incomplete)], incomplete)


def devices_of_rig(ctx: typer.Context, incomplete: str) -> list[str]:
    """Propose the devices of the rig that is given with ``--rig``; none without it."""
    rig = ctx.params.get("rig")
    return _named(_devices(_file_of(rig, "rigs")), incomplete, ctx.params.get("device") or ()) if rig else []


def devices_of_scenario(ctx: typer.Context, incomplete: str) -> list[str]:
    """Propose the devices of the scenarios that are given.

    Arguments that stand before an option without its value are left over: the parser stops at that option.
    """
    names = ctx.args or [_DEFAULT_SCENARIO]
    found = [device for name in names for device in _devices_of_scenario(_file_of(name, "."))]
    return _named(found, incomplete, ctx.params.get("leave_out") or ())


def _file_of(given: str, folder: str, beside: Path = Path()) -> Path:
    from rvsim import shipped

    if given.lower().endswith(".toml") or "/" in given:
        return beside / given
    return shipped.scenario_folder() / folder / f"{given}.toml"


def _content(path: Path) -> dict[str, Any]:
    from rvsim.rig.toml_file import read_toml

    try:
        return read_toml(path).data
    except (RvsimError, ValueError):
        return {}


def _devices(path: Path) -> list[str]:
    return _names(_content(path))


def _names(rig: Mapping[str, Any]) -> list[str]:
    listed = rig.get("device")
    tables = listed if isinstance(listed, list) else []
    return [one["name"] for one in tables if isinstance(one, dict) and isinstance(one.get("name"), str)]


def _devices_of_scenario(path: Path) -> list[str]:
    rig = _content(path).get("rig")
    if isinstance(rig, str):
        return _devices(_file_of(rig, "rigs", path.parent))
    return _names(rig) if isinstance(rig, dict) else []


# Explanations, exercises, forms.


def topics(incomplete: str) -> list[str]:
    """Propose the topics of guides."""
    from rvsim.faces.text.guides import TOPICS

    return _named(TOPICS, incomplete)


def terms(incomplete: str) -> list[str]:
    """Propose the terms of the glossary, and other words for them."""
    from rvsim.faces.text.glossary_terms import FIELD, OUR_OWN

    return _in_any_case([name for term in (*FIELD, *OUR_OWN) for name in (term.word, *term.also)], incomplete)


def parts_with_keys(incomplete: str) -> list[str]:
    """Propose what has keys: rig, scenario, and the kinds of devices, those of other packages included."""
    from importlib.metadata import entry_points

    others = [one.name for one in entry_points(group="rvsim.devices")]
    return _named(["rig", "scenario", *KIND_NAMES, *others], incomplete)


def kinds_of_exercise(incomplete: str) -> list[str]:
    """Propose kinds of exercises, with hyphens for their blanks."""
    from rvsim.faces.practice.exercise import Kind

    return _in_any_case([kind.replace(" ", "-") for kind in Kind], incomplete)


def checks(incomplete: str) -> list[str]:
    """Propose the checks of a plan."""
    return _named(CHECK_NAMES, incomplete)


def units(incomplete: str) -> list[str]:
    """Propose the units in which values are shown."""
    return _named(UNITS, incomplete)
