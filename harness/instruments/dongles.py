"""One or two dongles as the source of a take."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace

from harness.blocks import Block
from harness.closing import Closing
from harness.devices import Alignment, FoundDevice, Retuned, Role, StreamInfo
from harness.errors import HardwareFault
from harness.instruments.dongle import Dongle, Settings
from harness.instruments.librtlsdr import list_dongles, tuner_of

SILENCE_S = 1.0
"""So long without a sample is no dongle any more. Chosen: thirty buffers."""
STEP_S = 0.5
"""So much is waited for at a time. Chosen: far less than a queue holds."""
WARM_UP_S = 0.5
"""After opening: the tuner locks, and the first buffers hold what was before. Chosen."""
SETTLING_S = 0.05
"""After tuning: the tuner locks, and what was sampled before is on its way. Chosen."""


UNALIGNED_S = 1e-3
"""Standard uncertainty of when a stream begins against another, by their arrival alone; and of each
loss that was told by it. Chosen: what USB and a desktop computer do."""


class DongleSource(Closing):
    """Dongles whose streams run from opening to closing; a SampleSource and a context manager.

    Parameters
    ----------
    settings : one for each dongle, each with its own role
    clock : gives seconds; the computer's own, unless the samples come by another
    warm_up_s : waited for after opening

    Raises
    ------
    BadInput, HardwareFault : as ``Dongle``; none is left open then.

    Notes
    -----
    ``start`` counts from samples taken at the same moment by the computer's clock: two streams
    begin within the jitter of their transport, about a millisecond, and say so; once ``align`` was
    told how they stand, within a part of a sample. A sample that is lost while no take runs is
    counted too, so the streams stay in step from one take to the next. The first is the reference.
    """

    def __init__(
        self,
        settings: Sequence[Settings],
        *,
        clock: Callable[[], float] = time.monotonic,
        warm_up_s: float = WARM_UP_S,
    ) -> None:
        if not settings or len({each.role for each in settings}) < len(settings):
            raise ValueError(f"{settings=}: need one or more, each with its own role")
        self._clock = clock
        self._true_rates_hz: dict[Role, float] = {}
        self._dongles: dict[Role, Dongle] = {}
        self._origins: dict[Role, int] = {}
        self._fault: HardwareFault | None = None
        self._read_s = 0.0
        self._settled: dict[Role, int] = {}
        self._alignments: dict[Role, Alignment] = {}
        self._losses: dict[Role, int] = {}
        self._skews: dict[Role, tuple[float, float]] = {}
        with ExitStack() as opened:
            for each in settings:
                dongle = Dongle(each, clock)
                opened.callback(dongle.close)
                self._dongles[each.role] = dongle
                self._true_rates_hz[each.role] = dongle.info.sample_rate_hz * (
                    1.0 + each.clock_error_ppm * 1e-6
                )
            for dongle in self._dongles.values():
                dongle.run()
            time.sleep(warm_up_s)
            self._opened = opened.pop_all()

    def close(self) -> None:
        """End the streams and give the dongles free; allowed any number of times."""
        self._opened.close()

    @property
    def streams(self) -> Mapping[Role, StreamInfo]:
        """The streams there are; of a running take, with how they stand to each other."""
        return {
            role: replace(dongle.info, skew_s=skew_s, skew_uncertainty_s=uncertainty_s)
            for role, dongle in self._dongles.items()
            for skew_s, uncertainty_s in [self._skews.get(role, (None, None))]
        }

    @property
    def reference(self) -> Role:
        """The stream whose time the others' is told in: the first."""
        return next(iter(self._dongles))

    @property
    def origins_s(self) -> Mapping[Role, float]:
        """Time of the running take's sample 0, counted in each stream from opening."""
        return {
            role: origin / self._dongles[role].info.sample_rate_hz
            for role, origin in self._origins.items()
        }

    def align(self, role: Role, alignment: Alignment) -> None:
        """Begin takes of a stream, from now on, where the reference's begin."""
        if role == self.reference or role not in self._dongles:
            raise ValueError(f"{role=} is not to be aligned with {self.reference}")
        self._alignments[role] = alignment
        self._losses[role] = self._told_losses(role)

    def _told_losses(self, role: Role) -> int:
        return sum(self._dongles[each].arrivals.losses for each in (role, self.reference))

    @property
    def notes(self) -> tuple[str, ...]:
        """What the operator should know of the settings."""
        return tuple(note for dongle in self._dongles.values() for note in dongle.notes)

    @property
    def lost_samples(self) -> Mapping[Role, int]:
        """Samples that never arrived or that there was no room for, since opening."""
        return {
            role: dongle.arrivals.lost_samples + dongle.arrivals.overrun_samples
            for role, dongle in self._dongles.items()
        }

    def start(self) -> None:
        """Begin a take: sample 0 of each stream is taken now."""
        if self._origins:
            raise ValueError("a take is already running: stop() it first")
        if self._fault is not None:
            raise self._fault
        for dongle in self._dongles.values():
            if not dongle.alive:
                raise self._gone(dongle, "before the take", "Nothing was recorded")
        self._read_s = 0.0
        while True:
            origins = self._begin_at(self._clock())
            # On a busy computer a stream may have passed its sample while they were chosen.
            if all(self._dongles[role].arrivals.begin(at) for role, at in origins.items()):
                break
        for dongle in self._dongles.values():
            dongle.arrivals.restart_watch()
        self._origins.update(origins)

    def _begin_at(self, now_s: float) -> dict[Role, int]:
        """Choose each stream's first sample of a take, and know how they stand to each other."""
        # What has arrived already lies before now, whatever the estimate says; and what was
        # sampled while a tuner settled belongs to no take.
        first = {
            role: max(
                dongle.arrivals.index_at(now_s),
                dongle.arrivals.counted,
                self._settled.get(role, 0),
            )
            for role, dongle in self._dongles.items()
        }
        reference = self.reference
        rate_hz = self._dongles[reference].info.sample_rate_hz
        places = {role: self._place(role, first[reference]) for role in self._alignments}
        # As late as the latest of them needs.
        first[reference] += max(
            [0, *(math.ceil(first[role] - place) for role, place in places.items())]
        )
        self._skews = {}
        for role in first:
            if role == reference:
                continue
            alignment = self._alignments.get(role)
            if alignment is None:
                self._skews[role] = (0.0, UNALIGNED_S)
                continue
            place = self._place(role, first[reference])
            first[role] = round(place)
            away_s = first[reference] / rate_hz - alignment.at_s
            lost = self._told_losses(role) - self._losses[role]
            self._skews[role] = (
                (first[role] - place) / rate_hz,
                math.hypot(
                    alignment.skew_uncertainty_s,
                    away_s * alignment.clock_difference_uncertainty_ppm * 1e-6,
                    math.sqrt(lost) * UNALIGNED_S,
                ),
            )
        return first

    def _place(self, role: Role, index: int) -> float:
        """Give where an aligned stream stands at a sample of the reference's."""
        alignment = self._alignments[role]
        rate_hz = self._dongles[self.reference].info.sample_rate_hz
        away_s = index / rate_hz - alignment.at_s
        skew_s = alignment.skew_s - away_s * alignment.clock_difference_ppm * 1e-6
        return index - skew_s * rate_hz

    def read(self, until_s: float) -> Mapping[Role, list[Block]]:
        """Wait for what is sampled up to ``until_s`` and give it.

        Raises
        ------
        HardwareFault : a dongle fell silent or its stream ended; what came before it did was
            given by the read before.
        """
        if not self._origins:
            raise ValueError("no take is running: start() one first")
        if self._fault is not None:
            raise self._fault
        given: dict[Role, list[Block]] = {role: [] for role in self._dongles}
        while self._fault is None:
            # In short steps, side by side: no queue fills up while another is waited for.
            self._read_s = max(min(self._read_s + STEP_S, until_s), self._read_s)
            for role, dongle in self._dongles.items():
                until = round(self._read_s * self._true_rates_hz[role])
                came = dongle.arrivals.wait(until, SILENCE_S)
                given[role] += dongle.arrivals.take(until)
                if not came and self._fault is None:
                    self._fault = self._silent(role, dongle)
            if self._read_s >= until_s:
                break
        if self._fault is not None and not any(given.values()):
            raise self._fault
        return given

    def stop(self) -> None:
        """End the take; the streams go on, uncounted samples do not."""
        self._origins.clear()
        self._skews = {}
        for dongle in self._dongles.values():
            dongle.arrivals.stop()

    def position(self) -> Mapping[Role, int]:
        """Give the sample of the take that each dongle is taking now."""
        now_s = self._clock()
        return {
            role: max(self._dongles[role].arrivals.index_at(now_s) - origin, 0)
            for role, origin in self._origins.items()
        }

    def retune(self, centres_hz: Mapping[Role, float]) -> list[Retuned]:
        """Tune dongles to other frequencies while they stream; no sample is missing for it."""
        begun = self.position()
        for role, centre_hz in centres_hz.items():
            self._dongles[role].retune(centre_hz)
        now_s = self._clock()
        changes = []
        for role in centres_hz:
            dongle = self._dongles[role]
            settled = dongle.arrivals.index_at(now_s) + round(
                SETTLING_S * self._true_rates_hz[role]
            )
            self._settled[role] = settled
            changes.append(
                Retuned(
                    role=role,
                    centre_hz=dongle.info.centre_hz,
                    begun=begun.get(role, 0),
                    settled=max(settled - self._origins.get(role, settled), 0),
                )
            )
        return changes

    def _silent(self, role: Role, dongle: Dongle) -> HardwareFault:
        arrivals, rate_hz = dongle.arrivals, self._true_rates_hz[role]
        kept_s = max(arrivals.counted - self._origins[role], 0) / rate_hz
        kept = f"All up to {kept_s:.1f} s is kept"
        if arrivals.ended is not None:
            return self._gone(dongle, f"at {kept_s:.1f} s into the run", kept)
        return HardwareFault(
            f"no samples for {SILENCE_S:.1f} s at {kept_s + SILENCE_S:.1f} s into the run;"
            " unplugged?",
            dongle.where,
            f"{kept}. Plug it in and start again.",
        )

    def _gone(self, dongle: Dongle, when: str, kept: str) -> HardwareFault:
        return HardwareFault(
            f"its stream ended {when} ({dongle.arrivals.ended}); unplugged?",
            dongle.where,
            f"{kept}. Plug it in and start again.",
        )


def found_dongles() -> list[FoundDevice]:
    """List the dongles that are plugged in; each is opened for a moment to ask for its tuner.

    Raises
    ------
    HardwareFault : there is no library to ask.
    """
    return [
        FoundDevice(
            kind="RTL-SDR dongle",
            name="serial",
            value=each.serial or "",
            detail=f"{each.name}, {each.fault or tuner_of(each.index)}",
        )
        for each in list_dongles()
    ]
