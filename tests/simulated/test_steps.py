"""A few simulated cars, so that a broken advice shows at once; steps.py prints the figures over a thousand."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from steps import STEPS, drive


@pytest.mark.parametrize("seed", [3, 16, 29])
def test_following_the_advice_reaches_the_target_and_never_the_limit(seed):
    outcome = drive(seed, far=False, most=STEPS)
    assert outcome.reached and outcome.steps <= STEPS and outcome.past_limit < 0
