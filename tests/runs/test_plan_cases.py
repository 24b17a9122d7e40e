"""Many plans of one rig, in this process and in others."""

from rvsim.plan.rig_file import read_rig_file
from rvsim.runs.plan_cases import plan_cases
from rvsim.shakedown.jobs import Job


def test_processes_give_the_same_in_the_same_order():
    """And progress is told to nobody who did not ask."""
    file = read_rig_file("brackenlow")
    jobs = [Job("brackenlow", {"output.water_pump.amps": amps}, 1) for amps in (4.0, 9.0, -1.0, 5.0)]
    told: list[str] = []
    here = list(plan_cases(jobs, file, (), 1, told.append))
    assert [case.values["output.water_pump.amps"] for case in here] == [4.0, 9.0, -1.0, 5.0]
    assert list(plan_cases(jobs, file, (), 2, told.append)) == here
    assert here[2].error.endswith("-1.0 is below 0; write 0 or more")
    assert not here[2].passed
    assert here[2].verdict.error == here[2].error
    assert told == []
