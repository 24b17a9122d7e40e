"""The text of a rig that was learnt from a log: what stands in it for a person to read."""

import re
import tomllib

import pytest

from rvsim.logs.draft.rig_draft import learn_rig
from rvsim.logs.draft.rig_text import accepted_trouble, count_faults
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.wire.frame import SECOND_US, Frame


def statuses(say, source, instance, seconds, first=0.0):
    """Return furnace statuses every five seconds."""
    return [say(second + first, "FURNACE_STATUS", source, instance=instance) for second in range(0, seconds, 5)]


def in_order(*frames):
    """Return frames by their times."""
    return sorted((frame for some in frames for frame in some), key=lambda frame: frame.time)


def test_the_head_counts_the_log_and_names_what_a_person_adds(say, learn):
    """Frames, seconds, addresses; name and title from the log's name, without its folder."""
    text, rig = learn(in_order(statuses(say, 0x5E, 1, 30), statuses(say, 0x5F, 2, 30)), "/drives/first one.log.gz")
    assert text.startswith("# A rig learnt from first one.log.gz: 12 frames in 25.0 s from 2 addresses.\n")
    assert (rig.form, rig.name, rig.title) == (1, "first one.log", "Learnt from first one.log.gz")
    head = text.partition("[[device]]")[0]
    assert all(word in head for word in ("names", "zone", "limits", "amps", "service tool"))
    assert "from 1 address." in learn(statuses(say, 0x5E, 1, 30))[0]


def test_messages_are_listed_with_their_usual_gap(say, learn):
    """Once, steady, in bursts; beyond thirty they are counted."""
    steady = statuses(say, 0x5E, 1, 50)
    bursts = [Frame(n * SECOND_US + m * 1000, 0x19F8015E, bytes(8)) for n in range(0, 50, 10) for m in range(4)]
    text, _ = learn(in_order(steady, bursts, [Frame(7, 0x19F8025E, bytes(8))]))
    assert "\n#   FURNACE_STATUS, instance 1: 10 times, usually every 5.00 s\n" in text
    assert "\n#   DGN 1F801 hex: 20 times, in bursts, on average one each 2.11 s\n" in text
    assert "\n#   DGN 1F802 hex: once\n" in text
    many, rig = learn([Frame(n, 0x19F80000 | n << 8 | 2, bytes(8)) for n in range(33)])
    assert many.count("#   DGN") == 30
    assert "more messages" not in learn([Frame(n, 0x19F80000 | n << 8 | 2, bytes(8)) for n in range(30)])[0]
    assert "\n#   and 3 more messages\n" in many
    assert [(one.flag, one.message) for one in rig.accepted] == [("unknown-message", None)]


def test_up_to_twelve_flags_of_a_kind_are_accepted_one_by_one(learn):
    """So that the thirteenth message is still told."""
    _, rig = learn([Frame(n, 0x19F80000 | n << 8 | 2, bytes(8)) for n in range(12)])
    assert len(rig.accepted) == 12
    assert len({one.message for one in rig.accepted}) == 12


def test_a_device_says_what_it_says_it_is(recorded, learn):
    """Make, model and serial number, as the devices of the bench answer the panel that asks; nothing where unknown."""
    text, rig = learn(recorded["winter_evening"])
    said = re.findall(r"^# product: (.*)$", text, re.MULTILINE)
    assert len(said) == len(rig.devices) - 1  # the panel asks the others, and not itself
    heater = text[text.index("address = 0x5E") - 200 :].partition("address = 0x5E")[0]
    serial = next(one.claimed_name.serial_number for one in rig.devices if one.address == 0x5E)
    assert f"# product: rvsim bench, simulated heater, serial number {serial}\n" in heater
    assert "# product" not in learn(recorded["marine"])[0]


def test_a_product_without_words_is_not_mentioned(say, learn):
    """A text of separators only says nothing, and one with a part says that."""
    empty = Frame(1, 0x18FEEB5E, b"****\xff\xff\xff\xff")
    assert "# product" not in learn(in_order(statuses(say, 0x5E, 1, 30), [empty]))[0]
    short = Frame(1, 0x18FEEB5E, b"Oak*F2**")
    assert "\n# product: Oak, F2\n" in learn(in_order(statuses(say, 0x5E, 1, 30), [short]))[0]


def test_a_log_without_trouble_says_so(catalogue, say):
    """Nothing was accepted, and the head does not speak of an end of the file."""
    drafted = learn_rig(lambda: statuses(say, 0x5E, 1, 30), catalogue, "x.log")
    assert (drafted.accepted, drafted.faults) == (0, 0)
    assert "\n# Compared with this rig, the log raises no flag; nothing had to be accepted.\n" in drafted.text
    assert "A FAULT" not in drafted.text


def test_an_accepted_fault_stands_out(catalogue, recorded):
    """A heater fell silent and a sensor broke: the head counts them, and what does not work is marked as a fault."""
    frames = recorded["heater_goes_quiet"]
    drafted = learn_rig(lambda: frames, catalogue, "x.log")
    entries = drafted.text.split("\n\n")
    faults = [entry for entry in entries if "[[accepted]]" in entry and "\n# A FAULT: " in f"\n{entry}"]
    accepted = tomllib.loads(drafted.text)["accepted"]
    assert drafted.accepted == len(accepted)
    assert drafted.faults == len(faults) >= 1
    (silent,) = [entry for entry in faults if 'flag = "silent-device"' in entry]
    assert silent.startswith(
        "# A FAULT: something does not work. Better repaired than accepted.\n"
        "# Seen from 32.5 s until 60.6 s, furnace 1: "
    )
    assert "the log raises no flag, because its trouble is accepted" in drafted.text.partition("schema")[0]


@pytest.mark.parametrize(
    ("unknown", "silent", "told"),
    [
        (1, 0, "# 1 kind of trouble.\n"),
        (2, 0, "# 2 kinds of trouble.\n"),
        (0, 1, "# 1 kind of trouble; 1 of them is a fault, marked A FAULT.\n"),
        (1, 2, "# 3 kinds of trouble; 2 of them are faults, marked A FAULT.\n"),
    ],
)
def test_the_head_counts_what_is_accepted(catalogue, say, unknown, silent, told):
    """Notices and faults, in words that fit the number."""
    steady = in_order(*(statuses(say, 0x5E, 1, 120, n / 2) for n in range(10)))
    strange = [Frame(n, 0x19F8005E | n << 8, bytes(8)) for n in range(unknown)]
    gone = [frame for n in range(silent) for frame in statuses(say, 0x60 + n, n + 2, 50, 0.1 + n / 10)]
    frames = in_order(steady, strange, gone)
    drafted = learn_rig(lambda: frames, catalogue, "x.log")
    assert (drafted.accepted, drafted.faults) == (unknown + silent, silent)
    assert told in drafted.text.partition("schema")[0]
    assert drafted.text.count("# A FAULT: ") == silent


def test_an_entry_is_a_fault_if_one_of_its_flags_is():
    """A lamp that was yellow first and red later is accepted by one entry."""

    def flags(*severities):
        return [Flag(1, FlagKind.REPORTED_FAULT, "x", one, 0, "", "", message="DM_RV") for one in severities]

    counts = [
        count_faults(accepted_trouble(flags(*those), {"x"}))
        for those in (
            (Severity.WARNING, Severity.FAULT),
            (Severity.FAULT, Severity.WARNING),
            (Severity.WARNING, Severity.NOTICE),
            (),
        )
    ]
    assert counts == [1, 1, 0, 0]
