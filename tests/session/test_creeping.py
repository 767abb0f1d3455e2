"""A machine that creeps after it was tightened: not settled, and the person is told why there is nothing to wait for."""

from session.bench import adjusting


def test_a_creeping_machine_is_followed_and_called_creeping() -> None:
    course = adjusting(0.0, "vertical")
    start = course.axis
    sunk = start.moved(up=[-0.01, -0.01])
    last = course.run(60.0, to=sunk)[-1]
    assert last.machine_state == "settling"
    assert last.settling.seconds_left is None
    assert last.advice[0].startswith("Still creeping, about 0.01 mm a minute")
    assert last.pose.vertical.offset_mm is not None
    assert abs(last.pose.vertical.offset_mm - sunk.up) < 0.003
    rested = course.run(40.0)[-1]
    assert rested.machine_state == "settled"
    assert not rested.advice[0].startswith("Still creeping")
