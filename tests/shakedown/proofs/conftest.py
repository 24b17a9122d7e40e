"""What all proofs of faults have: how a verdict is told, and for which reason a spoilt controller is not passed."""

import pytest

from rvsim.shakedown.verdict import as_text


def _told(proof, verdict):
    return "\n".join((f"the duty: {proof.duty}", *as_text(verdict, every=True)))


@pytest.fixture(scope="session")
def check_passed():
    """Hold that a verdict is passed; else tell what its proof is about, and the verdict."""

    def check(proof, verdict):
        assert verdict.passed, _told(proof, verdict)

    return check


@pytest.fixture(scope="session")
def check_reason():
    """Hold that one expectation is not met, the one of the proof, and that what is told of it points there."""

    def check(proof, verdict):
        not_met = [outcome.expected.partition(":")[0] for outcome in verdict.failed]
        assert not_met == [proof.expectation.split('"')[1]], _told(proof, verdict)
        (failed,) = verdict.failed
        evidence = "\n".join((failed.found, failed.nearest, *failed.before, failed.look))
        assert [part for part in proof.evidence if part not in evidence] == [], _told(proof, verdict)

    return check
