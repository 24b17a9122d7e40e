"""Every benchmark in one go, and one table of what was measured.

python tests/benchmarks/all.py [NAME ...] [--quick] [--markdown FILE] [--update] [--note TEXT] [--limit SECONDS]

NAME is a benchmark without "bench_"; all of them without a name. Each runs in a process of its own, one after the
other, so that none disturbs the memory or the threads of another. A benchmark that fails, takes too long or needs a
package that is not installed has a row that says so, and the others go on. The table goes to stdout as text, progress
to stderr; with --markdown it is written to a file as well, and with --update into DEVELOPERS.md.
"""

import argparse
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from pathlib import Path

from benchmark_results import Result, from_json
from benchmark_table import about, as_markdown, as_text, machine_text, with_table

FOLDER = Path(__file__).parent
DEVELOPERS = FOLDER.parents[1] / "DEVELOPERS.md"
PREFIX = "bench_"
LIMIT_S = 1800.0
"""The longest that one benchmark may take. Our decision: some 4 times what the slowest full one takes."""
MAX_PROBLEM_CHARACTERS = 100
"""Of the last line of an error that goes into a row."""


def benchmarks(folder: Path = FOLDER) -> dict[str, Path]:
    """Return the scripts by name, in alphabetical order."""
    return {path.stem.removeprefix(PREFIX): path for path in sorted(folder.glob(f"{PREFIX}*.py"))}


def measured(path: Path, *, quick: bool, limit_s: float = LIMIT_S) -> list[Result]:
    """Run one benchmark and return its results; the last one says what went wrong, if something did."""
    command = [sys.executable, str(path), "--json", *(["--quick"] if quick else [])]
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+", errors="replace") as problems:
        with _ended(subprocess.Popen(command, stdout=out, stderr=problems, start_new_session=True)) as process:
            try:
                code = process.wait(limit_s)
            except subprocess.TimeoutExpired:
                code = None
        for file in (out, problems):
            file.seek(0)
        results = [from_json(line) for line in out.read().splitlines() if line.endswith("}")]
        if code is None:
            results.append(Result(path.stem, problem=f"not over within {limit_s:g} s"))
        elif code or not results:
            results.append(Result(path.stem, problem=_problem(problems.read(), code)))
    return results


@contextlib.contextmanager
def _ended(process: "subprocess.Popen[bytes]") -> "Iterator[subprocess.Popen[bytes]]":
    """End a process with those that it started, if it still runs at the end of the block."""
    try:
        yield process
    finally:
        if process.poll() is None:
            if hasattr(os, "killpg"):
                os.killpg(process.pid, signal.SIGKILL)
            else:
                process.kill()
            process.wait()


def _problem(problems: str, code: int) -> str:
    """Put what a process wrote to stderr, and its exit code, into few words."""
    last = next((line.strip() for line in reversed(problems.splitlines()) if line.strip()), "")
    if last.startswith("ModuleNotFoundError: No module named "):
        return f"needs {last.rpartition(' ')[2].strip(chr(39))}, which is not installed"
    if not code:
        return "it gave no result"
    return f"failed with exit code {code}: {last[:MAX_PROBLEM_CHARACTERS]}".rstrip(": ")


def collect(
    chosen: dict[str, Path], measure: Callable[[Path], Sequence[Result]], say: Callable[[str], None]
) -> dict[str, Sequence[Result]]:
    """Run benchmarks one after the other; return their results by name, and a row for each after an interruption."""
    results: dict[str, Sequence[Result]] = {}
    interrupted = False
    for number, (name, path) in enumerate(chosen.items(), 1):
        if interrupted:
            results[name] = [Result(path.stem, problem="interrupted")]
            continue
        say(f"{number} of {len(chosen)}: {name} ...")
        began = time.monotonic()
        try:
            results[name] = measure(path)
        except KeyboardInterrupt:
            interrupted = True
            results[name] = [Result(path.stem, problem="interrupted")]
        problems = [one.problem for one in results[name] if one.problem]
        end = f": not all measured: {'; '.join(problems)}" if problems else ""
        say(f"{number} of {len(chosen)}: {name} took {time.monotonic() - began:.0f} s{end}")
    return results


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what was asked for, write the table, and return the exit code: 1 if a row has no figure."""
    every = benchmarks()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--quick", action="store_true", help="smaller sizes; the table says so")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table as Markdown, too")
    parser.add_argument("--update", action="store_true", help="put the table into DEVELOPERS.md")
    parser.add_argument("--list", action="store_true", help="only list the benchmarks")
    parser.add_argument("--limit", type=float, default=LIMIT_S, metavar="SECONDS", help="for each (%(default)g)")
    parser.add_argument("--note", default="", metavar="TEXT", help="a sentence for the lines above the table")
    given = parser.parse_args(arguments)
    unknown = [name for name in given.names if name not in every]
    if unknown:
        parser.error(f"there is no benchmark {', '.join(unknown)}; there are {', '.join(every)}")
    if given.update and given.names:
        parser.error("--update needs all benchmarks: DEVELOPERS.md has a row for each; leave the names out")
    if given.update:
        try:
            with_table(DEVELOPERS.read_text(encoding="utf-8"), "")
        except (OSError, ValueError) as error:
            parser.error(f"--update cannot put a table into {DEVELOPERS}: {error}")
    if given.list:
        print(*every, sep="\n")
        return 0
    chosen = {name: path for name, path in every.items() if not given.names or name in given.names}
    results = collect(chosen, lambda path: measured(path, quick=given.quick, limit_s=given.limit), _say)
    words = about(date.today().isoformat(), is_quick=given.quick, machine=machine_text(), note=given.note)
    print(as_text(results, words), end="")
    if given.markdown:
        given.markdown.write_text(as_markdown(results, words), encoding="utf-8")
    if given.update:
        text = DEVELOPERS.read_text(encoding="utf-8")
        DEVELOPERS.write_text(with_table(text, as_markdown(results, words)), encoding="utf-8")
    return int(any(one.problem for each in results.values() for one in each))


if __name__ == "__main__":
    sys.exit(main())
