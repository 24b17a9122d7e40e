"""Reads damaged definition files, a line for each on stdout; run by ``test_database_mutants.py``.

Arguments: the first mutant, how many, and 1 for whole files instead of excerpts. What a mutant is depends on its number
alone, so one that fails can be had again.
"""

import faulthandler
import os
import random
import re
import resource
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.wire.database import load_catalogue

NUMBERS = [
    "0", "-1", "7", "8", "9", "63", "64", "65", "511", "1785", "1786", "14280", "100000", "4294967296", "1e9",
    "99999999999999", "1e999", "1e-999", "1e99999999", "0.1", "nan", "0x8", "2147483648", "3221225472", "9" * 5000,
]  # fmt: skip
SLIPS = [
    '"', ";", ":", "\\", '\\"', "//", "/*", "\0", "\x1b[2J", "SG_", "BO_", "BO_ 1 x: 8 y\n", "VAL_", "M", " m0", "m0M",
    "BS_: 250 : 1,2\n", "EV_", "NS_ :", "BU_:", "CM_", "SIG_VALTYPE_ ", "SG_MUL_VAL_ 1 a b 0-99999999;\n", "@", "|",
    "-", "\r", "\ufeff", "ä", " ",
]  # fmt: skip
SHIPPED = shipped.dbc_files()


def excerpt(text, draw):
    """Return the head of a file with some messages and all that is said of them."""
    head, *blocks = re.split(r"(?m)^(?=BO_ )", text)
    last, _, tail = blocks[-1].partition("\n\n")
    blocks[-1] = last + "\n"
    at = draw.randrange(max(1, len(blocks) - 2))
    some = blocks[at : at + 3]
    numbers = {block.split()[1] for block in some}
    said = re.findall(r'(?ms)^[A-Z_]+ (?:"(?:[^"\\]|\\"|\\)*"|[^";])*;\n', tail)
    about = [line for line in said if line.startswith("BA_DEF") or numbers & set(line.split()[:5])]
    return head + "\n".join(some) + "\n" + "".join(about)


def mutated(text, draw):
    """Return a text with one to three kinds of damage."""
    for _ in range(draw.choice([1, 1, 2, 3])):
        at = draw.randrange(len(text))
        to = at + draw.choice([1, 1, 5, 30, 300])
        kind = draw.randrange(7)
        if kind == 0:  # a bit of a byte
            text = text[:at] + chr(ord(text[at]) ^ 1 << draw.randrange(8)) + text[at + 1 :]
        elif kind == 1:
            text = text[:at] + text[to:]
        elif kind == 2:
            text = text[:to] + text[at:to] * draw.choice([1, 1, 2, 50]) + text[to:]
        elif kind in (3, 4):  # another number, at its place
            found = re.compile(r"\b\d+\b").search(text, at)
            if found:
                text = text[: found.start()] + draw.choice(NUMBERS) + text[found.end() :]
        elif kind == 5:
            text = text[:at] + draw.choice(SLIPS) + text[at:]
        else:
            text = text[:at]
        text = text or "x"
    return text


def outcome(path, cache):
    """Read a file and use what it defines; return what came of it."""
    try:
        catalogue = load_catalogue([path], cache)
    except InputError as error:
        line = str(error).replace("\n", " / ")
        return f"refused: {line}" if line.isprintable() and line else f"REFUSED: {line!r}"
    for spec in catalogue:
        if len(spec.encode({})) != spec.length or len(spec.decode(bytes(8))) > len(spec.fields):
            return f"{spec.name} cannot be used"
    return "read"


def main(first, count, whole):
    """Read them; end with a traceback on stderr when they take too long."""
    files = [path.read_text(encoding="utf-8") for path in SHIPPED]
    shipped.dbc_files = list
    resource.setrlimit(resource.RLIMIT_AS, (int(os.environ["MEMORY"]),) * 2)
    with TemporaryDirectory() as folder:
        path, cache = Path(folder, "m.dbc"), Path(folder, "m.dbc", "none")  # nothing can be kept there

        def read(number, damage):
            draw = random.Random(number)
            text = files[number % len(files)]
            text = text if whole else excerpt(text, draw)
            path.write_bytes((damage(text, draw)).encode("utf-8", "surrogatepass"))
            return outcome(path, cache)

        sound = {read(number, lambda text, _: text) for number in range(len(files))}
        if sound != {"read"}:
            raise SystemExit(f"a sound file is not read: {sound}")
        faulthandler.dump_traceback_later(float(os.environ["LIMIT_S"]), exit=True)
        for number in range(first, first + count):
            print(f"mutant {number}: {read(number, mutated)}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
