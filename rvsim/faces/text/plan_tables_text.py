"""The tables of a plan as text: which are shown without being asked for, and the names of the others.

Knows: which tables a person reads at a terminal. Does not know what a table is about.
"""

from collections.abc import Iterable, Iterator, Sequence

from rvsim.errors import InputError, did_you_mean
from rvsim.faces.text.plan_lines import WIDTH, counted, wrapped
from rvsim.faces.text.table_text import table_lines
from rvsim.plan.answer import PlanTable

BY_NAME = frozenset(
    {
        "addresses", "fuses", "grounds", "harness", "harness_breaks", "harness_ohms", "harness_rules",
        "harness_shorts", "harness_states", "ladder_values", "messages", "night", "providers",
        "single_failures", "spare", "storage",
    }
)  # fmt: skip
"""Tables that are looked up beside the work, and are shown by name or with all of the others."""
MAX_SHOWN_ROWS = 30
"""A table with more rows is shown by name or with all of the others. Our decision: a screenful."""


def shown_tables(tables: Iterable[PlanTable], *, every: bool) -> tuple[list[PlanTable], list[PlanTable]]:
    """Return the tables that are shown without being asked for, and those that are not; empty ones are in neither."""
    filled = [table for table in tables if table.rows]
    shown = [table for table in filled if every or (table.name not in BY_NAME and len(table.rows) <= MAX_SHOWN_ROWS)]
    return shown, [table for table in filled if table not in shown]


def tables_text(tables: Iterable[PlanTable]) -> Iterator[str]:
    """Yield the lines of tables, each with its title and its note."""
    for table in tables:
        yield from ("", table.title)
        yield from table_lines(table.columns, table.rows, WIDTH, "  ")
        if table.note:
            yield from wrapped(table.note, "  ", "  ")


def left_tables_text(tables: Sequence[PlanTable]) -> Iterator[str]:
    """Yield the lines that name the tables which are not shown, with their numbers of rows."""
    if tables:
        yield from ("", "More tables, each with --table NAME")
    longest = max((len(table.name) for table in tables), default=0)
    for table in tables:
        title = f"{table.title} ({counted(len(table.rows), 'row')})"
        yield from wrapped(title, f"  {table.name:<{longest}}  ", " " * (longest + 4))


def check_table_names(names: Sequence[str], tables: Iterable[PlanTable]) -> None:
    """Check that a plan has the tables that are asked for.

    Raises:
        InputError: it does not have one of them.
    """
    known = [table.name for table in tables if table.rows]
    problems = [
        f"--table {name}: the plan has no such table{did_you_mean(name, known)}; it has {', '.join(known) or 'none'}"
        for name in dict.fromkeys(names)
        if name not in known
    ]
    if problems:
        raise InputError(*problems)
