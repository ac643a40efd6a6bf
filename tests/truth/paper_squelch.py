"""A squelch on paper: levels at which it opens and closes are drawn anew for each sweep.

Truth by construction: opening and closing are normal with the means and spreads given here.
"""

from dataclasses import dataclass, field

import numpy as np


@dataclass
class PaperSquelch:
    """Keyed or not, by level and time. ``sticks_after`` keyings it no longer drops.

    ``always`` it is keyed whatever comes; ``deaf``, it never is.
    """

    seed: int
    opening_dbm: float = -117.0
    closing_dbm: float = -119.0
    opening_spread_db: float = 0.75
    closing_spread_db: float = 0.75
    hang_s: float = 1.0
    attack_s: float = 0.06
    always: bool = False
    deaf: bool = False
    sticks_after: int = 1_000_000
    keyed: bool = False
    now_s: float = 0.0
    keyings: int = 0
    steps: list = field(default_factory=list)
    """Each step as it ended: level (None off), keyed before, keyed after, seconds, label."""

    def __post_init__(self):
        self._random = np.random.default_rng(self.seed)
        self.keyed = self.always
        self._new_draws()

    def _new_draws(self):
        opens, closes = self._random.standard_normal(2)
        self._opens = self.opening_dbm + self.opening_spread_db * opens
        # What has opened cannot have closed at a higher level already.
        self._closes = self.closing_dbm + self.closing_spread_db * closes

    def step(self, level, longest_s, until=None, least_s=0.0, after_s=0.0, label=""):
        """Hold a level; give keyed at the end and how long it was held."""
        before, change_s = self.keyed, None
        if not self.keyed and not self.deaf and level is not None and level >= self._opens:
            change_s = self.attack_s
        elif (
            self.keyed
            and not self.always
            and self.keyings < self.sticks_after
            and (level is None or level <= self._closes)
        ):
            change_s = self.attack_s + self.hang_s
        seconds = longest_s
        if change_s is not None and change_s < longest_s:
            self.keyed = not self.keyed
            self.keyings += self.keyed
            if not self.keyed:
                self._new_draws()
        if until is not None and self.keyed == until:
            reached_s = change_s if self.keyed != before else 0.0
            seconds = max(least_s, reached_s) + after_s
        self.now_s += seconds
        self.steps.append((level, before, self.keyed, seconds, label))
        return self.keyed, seconds
