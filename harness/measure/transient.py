"""Transient frequency: where the carrier is after key-up and before the drop.

The rule (``data/transient.toml``) counts t1 and t2 from t_on, the moment at which the transmitter
has captured a receiver from a weaker 1 kHz signal, and t3 back from t_off, where that signal is
heard again. A receiver is captured where the transmitter becomes the stronger; here t_on is the
last time before the settled carrier at which its power is below the notional 1 kHz signal, 30 dB
under settled (chosen; EN 300 086's t_on is 0.1 % of the power, memory), or 15 dB above the noise
where that is more. t_off is its mirror.

The frequency is the slope of the phase of a channel several spacings wide, so that a transmitter
that comes up 10 kHz beside its channel is seen from its first sample on: at each sample the
derivative of a cubic fitted to half a millisecond of phase about it (Savitzky & Golay 1964). At
the two ends of a keying the first and last window are fitted with the amplitude for weight and
read off the middle. A transient of 1 ms is followed to 0.1 %, one of 0.3 ms to 3 %.

Memory: half a second of samples, the finest track of the worst key-up and drop.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.demodulate import power
from harness.measure.history import History
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Edge
from harness.measure.setup import Channel
from harness.readings import Axis, Series
from harness.units import FloatArray, ratio_from_db

Interval = Literal["t1", "t2", "t3"]
INTERVALS: tuple[Interval, ...] = ("t1", "t2", "t3")

WINDOW_S = 0.5e-3
CAPTURE = ratio_from_db(-30.0)
CLEAR_OF_NOISE = ratio_from_db(15.0)
FILTER_EARLY, FILTER_HALF = 0.75, 1.0
"""A carrier that comes at once is found early by so many parts 1/width of the channel, and where
about that evenly. Found by trial: 0 to 15 microseconds through 100 kHz for rises of 0 to 20
microseconds, none for 0.1 ms and more."""
NOISE_WIDTHS = 1.4
"""Noise bandwidth of a channel, in its widths: flat over 1.2 and the slopes of its filter."""
ENVELOPE_S = 0.05e-3
"""Power is averaged over this before the end of a keying is looked for. Chosen."""
SETTLED_S = 0.02
"""After t2, and before t3: where the settled frequency and what modulates it are taken."""
MARGIN_S = 0.01
MOST_PHASE_NOISE_RAD = 0.5
"""Above this the phase slips cycles and has no slope to speak of. Chosen: 6 dB."""
STEP_S = 1e-4
CHUNK = 16384
HISTORY_S = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """Lengths of the intervals in s, greatest differences in Hz, and where they are written."""

    duration_s: dict[Interval, float]
    difference_hz: dict[Interval, float]
    relaxed_up_to_w: float
    source: str

    def binds(self, interval: Interval, power_w: float | None) -> bool | None:
        """Whether the limit of an interval applies; None when the power is not known."""
        if interval == "t2":
            return True
        return None if power_w is None else power_w > self.relaxed_up_to_w


def transient_rule(spacing_hz: float, radio_hz: float) -> Rule | None:
    """Give the rule for a spacing at a radio frequency; None where none is stated."""
    table = tomllib.loads((files("harness") / "data" / "transient.toml").read_text("utf-8"))
    lengths = [
        row
        for row in table["durations"]
        if row["band_mhz"][0] <= radio_hz / 1e6 <= row["band_mhz"][1]
    ]
    differences = [
        row
        for row in table["differences"]
        if math.isclose(row["spacing_hz"], spacing_hz, rel_tol=1e-6)
    ]
    if not lengths or not differences:
        return None
    return Rule(
        duration_s={name: float(lengths[0][f"{name}_s"]) for name in INTERVALS},
        difference_hz={name: float(differences[0][f"{name}_hz"]) for name in INTERVALS},
        relaxed_up_to_w=float(table["relaxed_up_to_w"]),
        source=table["source"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Frequency of one keying near its beginning or end.

    Parameters
    ----------
    time_s : float64, shape (n,), from t_on or t_off; begins later where noise hides the rise
    frequency_hz : float64, shape (n,), from the middle of the channel
    sigma_hz : float64, shape (n,), noise of each
    settled_hz : mean where it has settled, None when the keying is too short to tell
    modulated_hz : half of peak to peak there
    late_s : half-width of where t_on may lie, for the noise that hides it and the filter
    begin_sigma_s : standard uncertainty of the moment that was seen, for the noise on it
    """

    time_s: FloatArray
    frequency_hz: FloatArray
    sigma_hz: FloatArray
    settled_hz: float | None
    modulated_hz: float
    late_s: float
    begin_sigma_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Largest:
    """Largest difference within an interval of one keying."""

    offset_hz: float
    sigma_hz: float
    slope_hz_s: float
    late_s: float
    begin_sigma_s: float


class TransientWatch:
    """Finds the key-ups and drops of a wide channel and follows their frequency.

    Parameters
    ----------
    channel : Channel of complex blocks, several spacings wide
    rule : its intervals
    reference_hz : what the carrier ought to be, in the channel blocks; None for where it settles
    """

    def __init__(self, channel: Channel, rule: Rule, reference_hz: float | None) -> None:
        rate_hz = channel.sample_rate_hz
        wide_hz = channel.spacing_hz * channel.width_spacings
        self._keying = CarrierKeying(replace(channel, spacing_hz=wide_hz))
        self._rate_hz = rate_hz
        self._rule = rule
        self._reference_hz = reference_hz
        self._frames = Frames(CHUNK)
        self._history = History(math.ceil(HISTORY_S * rate_hz))
        self._waiting: list[Edge] = []
        self._window = 2 * max(round(WINDOW_S * rate_hz / 2.0), 4) + 1
        self._filter_samples = rate_hz / wide_hz
        self._after_s = {
            True: rule.duration_s["t1"] + rule.duration_s["t2"] + SETTLED_S + MARGIN_S,
            False: MARGIN_S,
        }
        self._before_s = {True: MARGIN_S, False: rule.duration_s["t3"] + SETTLED_S + MARGIN_S}
        self._found: list[tuple[float, Interval, Largest]] = []
        self._kept: set[float] = set()
        self.edges = 0
        self.unclear = 0
        self.modulated_hz = 0.0
        self._worst: dict[bool, tuple[float, Track]] = {}

    def push(self, block: Block) -> None:
        """Take a complex channel block."""
        if self._frames.interrupted_by(block):
            self._interrupt()
        for frame in self._frames.push(block):
            self._take(frame)

    def finish(self) -> None:
        """Follow what is still waiting."""
        rest = self._frames.rest()
        if rest is not None:
            self._take(rest)
        keying = self._keying.finish()
        self._follow(force=True)
        # What was taken for an edge at first may have turned out to be none.
        self._kept = {edge.time_s for edge in keying.edges}

    def largest(self, name: Interval) -> list[Largest]:
        """Give the largest differences in an interval, one per keying; after ``finish``."""
        return [one for time_s, what, one in self._found if what == name and time_s in self._kept]

    def _interrupt(self) -> None:
        rest = self._frames.rest()
        if rest is not None:
            self._take(rest)
        self._follow(force=True)
        self._history.clear()

    def _take(self, frame: Block) -> None:
        # The keying flushes an interrupted stretch before it takes the first block after it; its
        # edges then belong to samples that are gone.
        self._keying.push(
            Block(frame.samples, frame.start, frame.sample_rate_hz, frame.lost_before)
        )
        self._history.push(frame)
        self._follow(force=False)

    def _follow(self, *, force: bool) -> None:
        self._waiting += self._keying.new_edges()
        kept = []
        for edge in self._waiting:
            last = round((edge.time_s + self._after_s[edge.is_rising]) * self._rate_hz)
            if last > self._history.end and not force:
                kept.append(edge)
                continue
            first = round((edge.time_s - self._before_s[edge.is_rising]) * self._rate_hz)
            self._measure(edge, self._history.cut(first, last))
        self._waiting = kept

    def _measure(self, edge: Edge, piece: Block) -> None:
        at = round(edge.time_s * self._rate_hz) - piece.start
        if not 0 < at < len(piece.samples):
            return
        self.edges += 1
        iq = piece.samples if edge.is_rising else np.conj(piece.samples[::-1])
        track = _track(
            iq,
            at if edge.is_rising else len(iq) - at,
            edge.settled_power,
            self._rate_hz,
            self._window,
            self._filter_samples,
        )
        if track is None:
            self.unclear += 1
            return
        reference_hz = self._reference_hz if self._reference_hz is not None else track.settled_hz
        if reference_hz is None:
            self.unclear += 1
            return
        self.modulated_hz = max(self.modulated_hz, track.modulated_hz)
        names: tuple[Interval, ...] = ("t1", "t2") if edge.is_rising else ("t3",)
        begin_s, worst_hz = 0.0, 0.0
        for name in names:
            end_s = begin_s + self._rule.duration_s[name]
            found = _largest(track, begin_s, end_s, reference_hz)
            if found is not None:
                self._found.append((edge.time_s, name, found))
                worst_hz = max(worst_hz, abs(found.offset_hz))
            begin_s = end_s
        shown = replace(track, frequency_hz=track.frequency_hz - reference_hz)
        if edge.is_rising not in self._worst or worst_hz > self._worst[edge.is_rising][0]:
            self._worst[edge.is_rising] = (worst_hz, shown)

    def series(self) -> list[Series]:
        """Frequency against time of the worst key-up and of the worst drop."""
        given = []
        for is_rising, name in ((True, "transient_key_up"), (False, "transient_drop")):
            if is_rising not in self._worst:
                continue
            track = self._worst[is_rising][1]
            step = max(round(STEP_S * self._rate_hz), 1)
            time_s, frequency_hz = track.time_s[::step], track.frequency_hz[::step]
            if not is_rising:
                time_s, frequency_hz = -time_s[::-1], frequency_hz[::-1]
            given.append(
                Series(
                    name=name,
                    unit="Hz",
                    axes=(Axis(name="time", unit="s", values=time_s),),
                    values=frequency_hz,
                    conditions={"time_from": "t_on" if is_rising else "t_off"},
                )
            )
        return given


def _track(
    iq: NDArray[Any],
    at: int,
    settled_power: float,
    rate_hz: float,
    window: int,
    filter_samples: float,
) -> Track | None:
    """Follow the frequency from t_on to the end of the piece; None where noise forbids it.

    A drop comes here reversed in time and conjugated: a key-up with the same frequency.
    """
    width = max(round(ENVELOPE_S * rate_hz), 1)
    sample_power = power(iq)
    envelope = np.convolve(sample_power, np.ones(width) / width, mode="same")
    before = envelope[: max(at - round(0.004 * rate_hz), 0)]
    noise_power = float(np.median(before)) if len(before) >= window else 0.0
    least = max(CAPTURE * settled_power, CLEAR_OF_NOISE * noise_power)
    if least > 0.5 * settled_power:
        return None
    rise = _rise(sample_power[: at + 1], settled_power, noise_power, least, filter_samples)
    begin = rise.first
    lost = np.flatnonzero(envelope[at + width :] < max(0.1 * settled_power, least))
    end = at + width + int(lost[0]) - width if len(lost) else len(iq)
    count = end - begin
    if count < 2 * window:
        return None
    kept = iq[begin:end].astype(np.complex128)
    steps = np.angle(kept[1:] * np.conj(kept[:-1]))
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    x = np.linspace(-1.0, 1.0, window)
    vander = np.vander(x, 4, increasing=True)
    slope = np.stack([np.zeros(window), np.ones(window), 2.0 * x, 3.0 * x * x], axis=1)
    # x runs from -1 to 1 over window - 1 samples; radians per x to Hz.
    to_hz = 2.0 / (window - 1) * rate_hz / (2.0 * np.pi)
    plain = slope @ np.linalg.pinv(vander) * to_hz
    middle = window // 2
    strength = np.clip(sample_power[begin:end] / settled_power, 1e-4, 1.0)
    last = phase[-window:]
    residual = last - vander @ (np.linalg.pinv(vander) @ last)
    phase_noise = float(np.sqrt(residual @ residual / (window - 4)))
    if phase_noise > MOST_PHASE_NOISE_RAD:
        return None
    # Noise is as wide as the channel, not as the rate: there is more of it where slopes are read.
    gathered = max(filter_samples / NOISE_WIDTHS, 1.0)
    sigma = math.sqrt(gathered) * phase_noise / np.sqrt(strength)
    frequency = np.empty(count)
    spread = np.empty(count)
    inner = np.convolve(phase, plain[middle][::-1], mode="valid")
    frequency[middle : middle + len(inner)] = inner
    spread[middle : middle + len(inner)] = (
        float(np.linalg.norm(plain[middle])) * sigma[middle : middle + len(inner)]
    )
    for rows, part in (
        (slice(0, middle), slice(0, window)),
        (slice(middle + 1, window), slice(count - window, count)),
    ):
        weight = np.sqrt(strength[part])
        ends = slope @ np.linalg.pinv(vander * weight[:, None]) * weight * to_hz
        places = slice(part.start + rows.start, part.start + rows.stop)
        frequency[places] = (ends @ phase[part])[rows]
        spread[places] = np.sqrt(ends**2 @ sigma[part] ** 2)[rows]
    settled = round(SETTLED_S * rate_hz)
    tail = frequency[-settled:] if count >= 2 * settled else frequency[:0]
    return Track(
        time_s=(rise.after + np.arange(count, dtype=np.float64)) / rate_hz,
        frequency_hz=frequency,
        sigma_hz=spread,
        settled_hz=float(tail.mean()) if len(tail) else None,
        modulated_hz=float(np.ptp(tail)) / 2.0 if len(tail) else 0.0,
        late_s=rise.open_half / rate_hz,
        begin_sigma_s=rise.sigma / rate_hz,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rise:
    """Where a carrier begins, all in samples.

    ``first`` is the first sample of the track, ``after`` by how much it comes after t_on,
    ``open_half`` the half-width of where t_on may lie, ``sigma`` the noise on it.
    """

    first: int
    after: float
    open_half: float
    sigma: float


def _rise(
    sample_power: FloatArray,
    settled_power: float,
    noise_power: float,
    least: float,
    filter_samples: float,
) -> _Rise:
    """Find the last time that the power is below ``least``, and t_on before it.

    Parameters
    ----------
    sample_power : float64, shape (n,), to the sample at which half of the power is reached
    least : what can be seen; as much as the captured signal or more
    filter_samples : 1/width of the channel

    Notes
    -----
    An average would reach back before a carrier that comes at once, and single samples of one that
    comes slowly stay below by their noise: the average is as long as a quarter of what the next
    6 dB of the rise take. Where noise hides the capture, those 6 dB tell how long the hidden ones
    took: between a straight rise of the power, and as many decibels in any stretch of time.
    The channel's filter rings before a carrier that comes at once (``FILTER_EARLY``); of a rise
    that takes longer than 1/width over 6 dB it shows nothing.
    """
    top = max(min(4.0 * least, 0.7 * settled_power), 1.2 * least)
    slow = max(_last_below(sample_power, top) - _last_below(sample_power, least), 0.0)
    width = 2 * round(slow / 8.0) + 1
    smooth = np.convolve(sample_power, np.ones(width) / width, mode="same") - noise_power
    place = _last_below(smooth, least)
    slow = max(_last_below(smooth, top) - place, 0.0)
    rise = math.log(top / least)
    hidden = max(math.log(least / (CAPTURE * settled_power)), 0.0)
    straight = slow * (1.0 - math.exp(-hidden)) / (math.exp(rise) - 1.0)
    even = slow * hidden / rise
    independent = max(width * NOISE_WIDTHS / filter_samples, 1.0)
    scatter = math.sqrt(2.0 * noise_power / (least * independent))
    sigma = scatter * slow / rise
    if slow > 0.0:
        # What is hidden is as uncertain as the 6 dB that tell it, upper end and lower.
        sigma *= math.hypot(
            1.0 + (straight + even) / (2.0 * slow), (straight + even) / (4.0 * slow)
        )
    first = math.floor(place) + 1
    blur = filter_samples if slow < filter_samples else 0.0
    return _Rise(
        first=first,
        after=first - place + (straight + even) / 2.0 - FILTER_EARLY * blur,
        open_half=(even - straight) / 2.0 + FILTER_HALF * blur,
        sigma=sigma,
    )


def _last_below(powers: FloatArray, level: float) -> float:
    """Where powers pass a level for the last time, between samples; -1 where they never are."""
    below = np.flatnonzero(powers < level)
    if not len(below):
        return -1.0
    last = int(below[-1])
    if last + 1 >= len(powers):
        return float(last)
    low, high = max(float(powers[last]), 1e-3 * level), float(powers[last + 1])
    return last + math.log(level / low) / math.log(high / low)


def _largest(track: Track, begin_s: float, end_s: float, reference_hz: float) -> Largest | None:
    """Largest difference in an interval; None when the keying does not last so long."""
    if track.time_s[-1] < end_s - 1.5 * track.time_s[1]:
        return None
    inside = np.flatnonzero((track.time_s > begin_s) & (track.time_s < end_s))
    if len(inside) < 2:
        return None
    time_s, offset_hz = track.time_s[inside], track.frequency_hz[inside] - reference_hz
    # At the borders themselves, and through what of the rise is hidden. A straight line over a
    # window's length: the slope of the cubic itself is ten times as noisy.
    count = max(round(WINDOW_S / (track.time_s[1] - track.time_s[0])), 2)
    slopes_hz_s = (
        _slope_hz_s(time_s[:count], offset_hz[:count]),
        _slope_hz_s(time_s[-count:], offset_hz[-count:]),
    )
    ends_hz = (
        offset_hz[0] - slopes_hz_s[0] * (time_s[0] - begin_s),
        offset_hz[-1] + slopes_hz_s[1] * (end_s - time_s[-1]),
    )
    offset_hz = np.concatenate([ends_hz[:1], offset_hz, ends_hz[1:]])
    at = int(np.argmax(np.abs(offset_hz)))
    # Only at an interval's border does it matter when the interval begins.
    slope_hz_s = {0: slopes_hz_s[0], len(offset_hz) - 1: slopes_hz_s[1]}.get(at, 0.0)
    nearest = min(max(at - 1, 0), len(inside) - 1)
    return Largest(
        offset_hz=float(offset_hz[at]),
        sigma_hz=float(track.sigma_hz[inside[nearest]]),
        slope_hz_s=slope_hz_s,
        late_s=track.late_s,
        begin_sigma_s=track.begin_sigma_s,
    )


def _slope_hz_s(time_s: FloatArray, frequency_hz: FloatArray) -> float:
    """Slope of the straight line through some points."""
    centred_s = time_s - time_s.mean()
    return float(centred_s @ frequency_hz / (centred_s @ centred_s))
