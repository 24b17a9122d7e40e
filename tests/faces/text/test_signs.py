"""Signs beyond ASCII and what stands for them."""

import ast
import re
from pathlib import Path

import pytest

import rvsim
from rvsim.faces.text.signs import READABLE, SAME_WIDTH, readable

OLD_CONSOLES = {
    *(bytes([code]).decode("cp437") for code in range(128, 256)),
    *"←↑→↓●►…×°Ω³",
}
"""Code page 437, and what Windows Glyph List 4 has beside it of our signs (from memory)."""


def printed():
    """Return every sign beyond ASCII in a text of the program that is no docstring."""
    found = set()
    for path in Path(rvsim.__file__).parent.rglob("*.py"):
        if path.name == "signs.py":
            continue
        text = path.read_text(encoding="utf-8")
        if text.isascii() and not re.search(r"\\[uUxN0-7]", text):
            continue
        tree = ast.parse(text)
        said = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        texts = (node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in said)
        for node in texts:
            if isinstance(node.value, str):
                found |= {sign for sign in node.value if not sign.isascii() and sign.isprintable()}
    return found


def test_every_sign_that_we_print_has_a_twin_and_is_one_that_old_consoles_have():
    """What is read and not printed aside: a foreign letter, a unit, minus signs, the sign of a byte that is no text."""
    signs = printed() - {"ä", "µ", "ω", "−", "–", "\ufffd"}
    assert {"°", "×", "╠", "►"} <= signs
    assert signs <= set(SAME_WIDTH)
    assert signs <= OLD_CONSOLES


def test_twins_are_ascii_and_those_of_columns_one_wide():
    """So that nothing moves on the screen."""
    assert all(twin.isascii() for twin in READABLE.values())
    assert {len(twin) for twin in SAME_WIDTH.values()} == {1}


@pytest.mark.parametrize(
    ("sign", "before_a_letter", "twin"),
    [
        ("°", True, "deg "),
        ("°", False, "deg"),
        ("×", False, "x"),
        ("Ω", False, "ohm"),
        ("─", True, "-"),
        ("ć", True, "\\u0107"),
        ("\udcff", False, "\\udcff"),
    ],
)
def test_a_twin_can_be_read(sign, before_a_letter, twin):
    """deg C, x, ohm; what nobody has a twin for stays to be known by its number."""
    assert readable(sign, before_a_letter=before_a_letter) == twin
