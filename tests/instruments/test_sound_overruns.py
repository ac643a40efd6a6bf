"""Audio that is taken too late becomes a gap, counted: through PortAudio, from a sound server.

What the card itself loses (PortAudio's ``input_overflow``) cannot be had here: PulseAudio keeps
seconds for whoever is late (1.5 s of a held-up callback, and of a stopped process, cost nothing
when tried), and later than SILENT_S the run ends. That way is tested by calls in test_sound_card.
"""

import json
import subprocess
import sys

from tests.instruments.test_sound_card import surroundings

__all__ = ["surroundings"]
RATE_HZ, SECONDS, LATE_S = 48_000, 4, 1.5
PROGRAM = f"""
import json, time
from harness.instruments import sound_card

sound_card.QUEUE_BLOCKS = 2
gaps, end, got, late = [], 0, 0, False
with sound_card.SoundInput("pulse", sample_rate_hz={RATE_HZ}.0) as source:
    for block in source.blocks({SECONDS}.0):
        assert block.start == end + block.lost_before
        gaps.append(block.lost_before)
        end, got = block.end, got + len(block.samples)
        if not late and end > {RATE_HZ}:
            late = True
            time.sleep({LATE_S})
print(json.dumps({{"lost": source.lost, "gaps": sum(gaps), "got": got, "end": end}}))
"""


def test_a_reader_that_is_late_finds_a_gap_as_long_as_it_was(surroundings) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        env=surroundings,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["end"] == RATE_HZ * SECONDS == told["got"] + told["lost"]
    assert told["gaps"] == told["lost"]
    # All of the time but what two blocks held, at most a quarter of a second each; and a busy
    # computer is later, not earlier.
    assert told["lost"] > (LATE_S - 0.5) * RATE_HZ
