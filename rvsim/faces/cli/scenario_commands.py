"""The declarations of the commands that run scenarios to a verdict.

Knows: their options and which exclude each other. Does not know how a scenario is run or judged.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli import completion, options
from rvsim.faces.cli.console import print_as
from rvsim.faces.cli.exits import run_command

if TYPE_CHECKING:
    from rvsim.faces.cli.shakedown import VerdictOptions
    from rvsim.shakedown.jobs import Job

_MAX_REPEATS = 10_000

Junit = Annotated[
    Path | None, typer.Option("--junit", metavar="FILE", help="Also write the verdicts to FILE as JUnit XML.")
]
Processes = Annotated[
    int | None,
    typer.Option(
        "--processes", metavar="N", help="Runs at once; one per processor if omitted. A long run alone takes two."
    ),
]
Met = Annotated[bool, typer.Option("--every", help="Also list the expectations that were met.")]
JsonVerdicts = Annotated[bool, typer.Option("--json", help="Print a JSON line for each verdict.")]
Serve = Annotated[
    str | None,
    typer.Option(
        "--serve",
        metavar="[HOST:PORT]",
        help="Offer the bus to a controller in another process on this machine: wait up to 60 s for the first client, "
        "then run in real time. A port is enough; 0: any free port; 29536 if omitted.",
    ),
]
Speed = Annotated[
    str | None,
    typer.Option("--speed", metavar="X", help="With --serve: simulated seconds per real second; 1 if omitted."),
]
Strength = Annotated[
    bool,
    typer.Option(
        "--strength", help="Also try wrong controllers in each scenario: which ones its expectations would let pass."
    ),
]
Controllers = Annotated[
    list[str] | None,
    typer.Option(
        "--controller",
        metavar="DEVICE",
        help="With --strength: a device that is a controller; may be given again. Those that command if omitted, "
        "control panels first.",
        autocompletion=completion.devices_of_scenario,
    ),
]
Repeat = Annotated[int, typer.Option("--repeat", metavar="N", help="Run each scenario N times, a new seed each time.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        cls=options.ServeCommand,
        epilog=options.examples(
            "rvsim shakedown loose_plug",
            "rvsim shakedown mine.toml --repeat 20 --junit verdicts.xml",
            'rvsim shakedown warm_cabin --serve --except "control panel"',
            "rvsim shakedown warm_cabin --strength",
        ),
    )(shakedown)
    app.command(
        cls=options.Command,
        epilog=options.examples(
            "rvsim vary warm_cabin weather.outdoor_c=-20..10/5",
            "rvsim vary mine.toml seed=1..9/1 --draw 50",
            "rvsim vary brackenlow --plan output.water_pump.amps=4..9/1",
        ),
    )(vary)


def shakedown(
    scenarios: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SCENARIO...", help="Shipped scenarios, or TOML files.", autocompletion=completion.scenarios
        ),
    ] = None,
    keys: Annotated[
        bool, typer.Option("--keys", help="List all keys of a scenario, its faults and expectations; run nothing.")
    ] = False,
    explain: Annotated[bool, typer.Option("--explain", help="Print the scenario in sentences; run nothing.")] = False,
    strength: Strength = False,
    controller: Controllers = None,
    seed: options.Seed = None,
    repeat: Repeat = 1,
    json: JsonVerdicts = False,
    every: Met = False,
    junit: Junit = None,
    record: options.Record = None,
    overwrite: options.Overwrite = False,
    processes: Processes = None,
    interface: options.Interface = None,
    channel: options.Channel = None,
    adapter_option: options.AdapterOptions = None,
    serve: Serve = None,
    speed: Speed = None,
    leave_out: options.Except = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Run scenarios to a verdict: passed or not.

    In virtual time, or in real time with your controller on the bus (--serve, --interface). The exit code is 0 if all
    are passed, else 1.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.shakedown import VerdictOptions, shakedown_on_bus, shakedown_served
        from rvsim.faces.cli.shakedown import explain as print_sentences
        from rvsim.faces.cli.shakedown import shakedown as run
        from rvsim.shakedown.jobs import Job

        requested = VerdictOptions(
            form="json" if json else "text",
            every=every,
            junit=junit,
            record=options.recording(record, overwrite=overwrite),
            dbc=tuple(dbc or ()),
            units=options.units_of(units),
        )
        if keys:
            from rvsim.shakedown.scenario_keys import render_keys

            print("\n".join(render_keys()))
            return ExitCode.GOOD
        if not scenarios:
            raise InputError("name a scenario; rvsim about names the shipped ones, --keys lists all keys")
        if explain:
            return max(print_sentences(scenario, requested.dbc, requested.units) for scenario in scenarios)
        if not 1 <= repeat <= _MAX_REPEATS:
            raise InputError(f"--repeat {repeat}: give a number from 1 to {_MAX_REPEATS}")
        options.above_0("--processes", processes)
        first = options.seed(seed, repeat)
        first = 1 if first is None and repeat > 1 else first
        seeds = [None if first is None else first + number for number in range(repeat)]
        jobs = [Job(scenario, {}, run_seed) for scenario in scenarios for run_seed in seeds]
        if strength:
            return _strength(jobs, controller or [], processes, requested, serve or interface or record or junit)
        if controller:
            raise InputError("--controller goes with --strength: leave it out, or add --strength")
        if serve is not None and interface is not None:
            raise InputError("--serve and --interface cannot go together: the devices are on one bus; choose one")
        if serve is not None:
            return shakedown_served(jobs, serve, leave_out or (), options.speed_of(speed or "1"), requested)
        if speed is not None:
            raise InputError(
                "--speed goes with --serve: without it a run is in virtual time, or in real time with --interface"
            )
        if interface is not None:
            from rvsim.edge.settings import resolve

            bus = resolve(interface, channel, None, adapter_option or (), listening=False)
            return shakedown_on_bus(jobs, bus, leave_out or (), requested)
        if leave_out:
            raise InputError(
                "--except goes with --interface or --serve: in virtual time nothing can replace the device"
            )
        _refuse_without_interface({"--channel": channel, "--adapter-option": adapter_option})
        return run(jobs, processes, requested)

    raise typer.Exit(run_command(command))


def _refuse_without_interface(given: "dict[str, object]") -> None:
    """Refuse options that only a bus of python-can has.

    Raises:
        InputError: one of them is given.
    """
    for option, value in given.items():
        if value:
            raise InputError(f"{option} goes with --interface: name one, or leave {option} out")


def _strength(
    jobs: "Sequence[Job]", controllers: list[str], processes: int | None, requested: "VerdictOptions", other: object
) -> int:
    """Run ``--strength``, which goes with no other bus and no file.

    Raises:
        InputError: something else is requested too.
    """
    from rvsim.faces.cli.strength import strength as run_strength

    if other is not None:
        raise InputError(
            "--strength runs in virtual time and prints its result: leave out --serve, --interface, "
            "--record and --junit"
        )
    return run_strength(jobs, controllers, processes, requested)


def vary(
    scenario: Annotated[
        str,
        typer.Argument(
            metavar="SCENARIO", help="A shipped scenario, or a TOML file.", autocompletion=completion.scenarios
        ),
    ],
    values: Annotated[
        list[str],
        typer.Argument(
            metavar="KEY=VALUES...",
            help="What to vary: key=1,2,3 (these), key=-20..10/5 (in steps of 5), key=-20..10 (with --draw). Any key "
            "of the scenario or its rig: weather.outdoor_c, fault.NAME.from, device.NAME.settings.KEY.",
        ),
    ],
    draw: Annotated[
        int | None, typer.Option("--draw", metavar="N", help="Make N runs with random values instead of all.")
    ] = None,
    plan: Annotated[
        bool,
        typer.Option("--plan", help="Check the plan of a rig, named in place of a scenario: which values are flagged."),
    ] = False,
    seed: options.Seed = None,
    json: JsonVerdicts = False,
    junit: Junit = None,
    processes: Processes = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Run one scenario with many values: which runs fail.

    The smallest failing case has the fewest values that differ from the scenario's own.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.vary import vary as run

        options.above_0("--draw", draw)
        options.above_0("--processes", processes)
        return run(
            scenario,
            values,
            draw=draw,
            seed=options.seed(seed),
            form="json" if json else "text",
            junit=junit,
            processes=processes,
            dbc=tuple(dbc or ()),
            units=options.units_of(units),
            plan=plan,
        )

    raise typer.Exit(run_command(command))
