"""How often readings may repaint: the sums, without a terminal."""

import pytest

from tankwatch.screen.pace import Pace


@pytest.mark.parametrize(
    ("slow", "remote", "same_s", "changed_s"),
    [(False, False, 0.0, 0.0), (False, True, 1.0, 1.0), (True, False, 5.0, 1.0), (True, True, 5.0, 1.0)],
)
def test_the_next_repaint_waits_for_the_link(
    slow: bool, remote: bool, same_s: float, changed_s: float
) -> None:
    pace = Pace(slow=slow, remote=remote)
    assert pace.due_in_s(100.0, "quiet") == 0.0, "the first is due at once"
    pace.painted(100.0, "quiet")
    assert pace.due_in_s(100.25, "quiet") == max(0.0, same_s - 0.25)
    assert pace.due_in_s(100.25, "an alarm") == max(0.0, changed_s - 0.25)
    assert pace.due_in_s(105.0, "quiet") == 0.0
    pace.forget()
    assert pace.due_in_s(100.0, "quiet") == 0.0
