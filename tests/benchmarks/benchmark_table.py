"""Results of many benchmarks as one table: text, Markdown, and the section of DEVELOPERS.md that holds the last one.

Knows: how the table looks, and how a machine is put into words. Does not know any benchmark, nor how they are run
(`all`).
"""

import os
import platform
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from benchmark_results import Result

HEADS = ("benchmark", "work", "ours", "baseline", "ratio", "aim")
BEGIN, END = "<!-- benchmark table: begin -->", "<!-- benchmark table: end -->"
"""Between these lines of DEVELOPERS.md stands the last table."""
HINT = "Ratio: how many times better ours is than the baseline; below 1 it is worse."
CPU_INFO = Path("/proc/cpuinfo")

Results = Mapping[str, Sequence[Result]]
"""The results of each benchmark, by its name."""


def rows(results: Results) -> list[tuple[str, ...]]:
    """Return the rows of the table, each with a cell for each head."""
    return [
        (name, one.work_text, one.ours_text, one.baseline_text, one.ratio_text, one.aim_text)
        for name, each in results.items()
        for one in each
    ]


def as_text(results: Results, about: str) -> str:
    """Return the table as text, its columns below each other."""
    table = [HEADS, *rows(results)]
    widths = [max(len(row[place]) for row in table) for place in range(len(HEADS))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
    return "\n".join([about, HINT, "", *lines, "", summary(results)]) + "\n"


def as_markdown(results: Results, about: str) -> str:
    """Return the table as Markdown."""
    table = [HEADS, ("---",) * len(HEADS), *rows(results)]
    lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in table]
    return "\n".join([f"{about} {HINT}", "", *lines, "", summary(results)]) + "\n"


def summary(results: Results) -> str:
    """Say how many aims are met, missed, and not measured."""
    every = [one for each in results.values() for one in each]
    met, missed = (sum(one.is_met is state for one in every) for state in (True, False))
    text = f"{met} of {met + missed} measured aims met."
    absent = sum(one.ours is None for one in every)
    return f"{text} {absent} {'row' if absent == 1 else 'rows'} not measured." if absent else text


def about(date: str, *, is_quick: bool, machine: str, note: str = "") -> str:
    """Return the sentences above a table: the day, the machine, and which round it was."""
    size = "Quick round: sizes are smaller, single figures are rough." if is_quick else "Full round."
    return " ".join(filter(None, (f"{date}, {machine}.", size, note)))


def machine_text(cpu_info: Path = CPU_INFO, release: Callable[[], Mapping[str, str]] | None = None) -> str:
    """Return processor model, cores, Python and system in words, as far as the standard library knows them."""
    try:
        system = (release or platform.freedesktop_os_release)()["PRETTY_NAME"]
    except (OSError, KeyError):
        system = ""
    cores = os.cpu_count() or 1
    parts = (
        _processor_model(cpu_info),
        "1 core" if cores == 1 else f"{cores} cores",
        f"{platform.python_implementation()} {platform.python_version()}",
        system,
        f"{platform.system()} {platform.release()}",
    )
    return ", ".join(filter(None, parts))


def _processor_model(cpu_info: Path) -> str:
    """Return the model of the processor: Linux tells it in a file, other systems to ``platform``."""
    try:
        lines = cpu_info.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        lines = []
    models = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return next(filter(None, models), "") or platform.processor() or platform.machine() or "unknown processor"


def with_table(text: str, table: str) -> str:
    """Return the text of DEVELOPERS.md with another table.

    Raises:
        ValueError: the text has no place for it.
    """
    if text.count(BEGIN) != 1 or text.count(END) != 1 or text.index(END) < text.index(BEGIN):
        raise ValueError(f"the lines {BEGIN} and {END} must stand there once each")
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{table}{END}{rest.partition(END)[2]}"
