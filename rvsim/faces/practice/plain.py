"""Practice in plain text: a question, a line read, a reply.

Knows: the words that are no answers (a hint, leaving out, quitting). Does not know where lines come from.
"""

from collections.abc import Callable, Iterator

from rvsim.faces.practice.session import PASS_PERCENT, Session
from rvsim.faces.practice.sheet import question_lines
from rvsim.faces.text.spell_fields import wrapped

HINT, LEAVE_OUT, QUIT = ("?", "hint"), ("", "skip", "-"), ("q", "quit", "exit")
HELP = "? shows a hint, which costs half of the points; an empty line leaves it out; q ends."


def opening(session: Session, title: str) -> Iterator[str]:
    """Yield what is said first."""
    yield f"Level {session.level}: {title}. {len(session.exercises)} exercises; passed with {PASS_PERCENT} %."
    yield HELP


def run_plain(session: Session, read: Callable[[], str | None], write: Callable[[str], None]) -> None:
    """Ask every exercise.

    Args:
        session: the exercises.
        read: returns the next line without its end, None at the end of all lines.
        write: takes a line of text.
    """
    while (exercise := session.current) is not None:
        write("")
        write(f"{len(session.answered) + 1}. {exercise.kind}")
        for line in question_lines(exercise):
            write(line)
        write(f"Answer ({exercise.form}):")
        text = read()
        if text is None or text.strip().lower() in QUIT:
            break
        if text.strip().lower() in HINT:
            write(f"Hint: {session.hint()}")
            text = read()
            if text is None or text.strip().lower() in QUIT:
                break
        reply = session.answer(None if text.strip().lower() in LEAVE_OUT else text)
        for line in reply.lines:
            for part in wrapped(line):
                write(part)
    write("")
    for line in session.summary() if session.answered else ["No exercise was answered."]:
        write(line)
