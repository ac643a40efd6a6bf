"""What a unit's readings mean in service, in words: for the terminal and the page for the lid.

Times and ranges are rounded down and exposure distances up, so that nothing is claimed beyond what
was worked out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.advice import Advice, advise
from harness.advice.positions import sensitivity_of
from harness.describe.field import FieldFile
from harness.describe.unit import Unit
from harness.report.advised import advised, knob_in_words
from harness.report.wording import MINUS, hours_in_words, plain, quantity
from harness.service.capacity import Ageing, Capacity
from harness.service.exposure import REFLECTIONS
from harness.service.field import Exposure, InService, in_service
from harness.service.known import Known, Named, newest_first
from harness.service.link import Reach
from harness.service.run_time import Endurance

NOT_MEASURED = "not measured"
DAYS_FROM_H = 72.0
"""A longer time is told in days. Chosen."""
CLOSE_DB = 3.0
"""Talk-out and talk-in nearer than this are as good as balanced. Chosen: half of the power."""
OF_U = " (U of what was measured; the handheld is assumed or given)"
ON_TIMES = (
    "By Peukert's relation at the rated time, t = H (C/(I H))^n, each state's drain by its share of"
    " the time; below the rated current no gain is claimed. Beside it a 95 % interval; by charge"
    " alone, if a slow discharge gives no more, as with some batteries: plan by that. Another"
    " temperature, an older battery or a partial charge make it another time."
)
ON_RANGES = (
    "The usual range is plane earth with margin and spread; the most is free space, up to the radio"
    " horizon (4/3 earth). Hills, woods and houses shorten both."
)
ON_EXPOSURE = (
    "47 CFR 1.1310 with the far-field formula of OET Bulletin 65, for the power at the upper end of"
    " its uncertainty: an indication only so near to an antenna."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLine:
    """Run time at a duty."""

    duty: str
    time: str
    interval: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachLine:
    """One way of the path."""

    way: str
    usual: str
    most: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureLine:
    """Distances for one class of people, one for each factor of the ground."""

    public: str
    limit: str
    distances: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputLine:
    """A value that went in."""

    title: str
    value: str
    origin: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fielded:
    """The unit in service, in words."""

    times: tuple[TimeLine, ...]
    battery: tuple[str, ...]
    ways: tuple[ReachLine, ...]
    balance: str
    exposures: tuple[ExposureLine, ...]
    keep_away: str
    knob: str
    knob_sentence: str
    inputs: tuple[InputLine, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What the results of one unit mean, and where to set its knob."""

    found: InService
    advice: Advice | None
    runs: tuple[Named, ...]


def look(
    runs: Sequence[Named], field: FieldFile, *, unit: Unit | None = None, where: str = "given"
) -> Looked:
    """Put the results of one unit together: the knob first, since ranges hang on its opening.

    Parameters
    ----------
    runs : of one unit, one or more
    field : what the user knows of the use, from the file ``where``
    unit : its description, in place of that of the newest run

    Raises
    ------
    BadInput : the runs are not of one unit.
    """
    ordered = tuple(newest_first(runs))
    advices = (_advised(each, ordered) for each in ordered)
    advice = next((each for each in advices if each.outcome != "nothing measured"), None)
    chosen = advice.chosen if advice is not None else None
    knob = chosen.position.knob if chosen is not None else None
    found = in_service(ordered, field, unit=unit, knob=knob, where=where)
    return Looked(found=found, advice=advice, runs=ordered)


def _advised(run: Named, runs: Sequence[Named]) -> Advice:
    """Give the advice on the knob, the sensitivity from another run where that one has none.

    A run that does not say of which unit it is lends none.
    """
    if sensitivity_of(run.run) is not None:
        return advise(run.run)
    others = (
        each.run
        for each in runs
        if sensitivity_of(each.run) is not None
        and all(each.run.unit.get(key) == run.run.unit.get(key) for key in ("name", "serial"))
    )
    return advise(run.run, sensitivity_run=next(others, None))


def fielded(looked: Looked) -> Fielded:
    """Put it into words."""
    found = looked.found
    knob, knob_sentence = _knob(looked.advice, found)
    return Fielded(
        times=tuple(_time(each) for each in found.endurances),
        battery=tuple(_battery(found)),
        ways=tuple(_way(each, found) for each in (found.talk_out, found.talk_in) if each),
        balance=_balance(found),
        exposures=tuple(_exposure(each) for each in found.exposures),
        keep_away=_keep_away(found),
        knob=knob,
        knob_sentence=knob_sentence,
        inputs=tuple(_input(each) for each in found.inputs),
        remarks=found.remarks,
        cautions=tuple(_cautions(found)),
    )


def hours_down(hours: float) -> str:
    """Write a time rounded down: to the minute, from three days on to a tenth of a day."""
    if math.isinf(hours):
        return "no end"
    if hours >= DAYS_FROM_H:
        return f"{math.floor(hours / 24.0 * 10.0 + 1e-9) / 10.0:g} days"
    return hours_in_words(60 * math.floor(hours * 60.0 + 1e-6))


def distance_down(metres: float) -> str:
    """Write a range rounded down to two figures, in m or km."""
    if metres < 1000.0:
        return f"{_floored(metres):g} m"
    return f"{_floored(metres / 1000.0):g} km"


def distance_up(metres: float) -> str:
    """Write a distance to keep, rounded up to a centimetre below 10 m and to a decimetre above."""
    places = 2 if metres < 10.0 else 1
    return f"{math.ceil(metres * 10**places - 1e-9) / 10**places:.{places}f} m"


def _floored(value: float) -> float:
    if value <= 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(math.floor(value / step + 1e-9) * step)


def _time(each: Endurance) -> TimeLine:
    duty = each.duty
    shares = ", ".join(
        f"{100.0 * share:g} % {word}"
        for share, word in (
            (duty.transmit, "transmit"),
            (duty.receive, "receive"),
            (duty.standby, "standby"),
        )
        if share > 1e-9
    )
    if each.hours is None or each.interval_h is None:
        why = f"Not known: {', '.join(each.missing)}."
        return TimeLine(duty=duty.name, time=NOT_MEASURED, interval="", why=f"{shares}. {why}")
    if each.bound == "lower":
        why = f"{shares}. The run was not logged to its end, or only a bound is known."
        reach = f"at least {hours_down(each.hours)}"
        return TimeLine(duty=duty.name, time=reach, interval="", why=why)
    low, high = each.interval_h
    why = f"{shares}."
    if each.by_charge_h is not None and each.by_charge_h < low:
        why += f" By charge alone {hours_down(each.by_charge_h)}."
    return TimeLine(
        duty=duty.name,
        time=hours_down(each.hours),
        interval=f"{hours_down(low)} to {hours_down(high)}",
        why=why,
    )


def _battery(found: InService) -> Iterable[str]:
    capacity = found.capacity
    if capacity is None:
        return
    amount = quantity(capacity.value_ah, "Ah", capacity.expanded_uncertainty_ah)
    more = " or more" if capacity.bound else ""
    text = (
        f"The battery gave {capacity.delivered_ah:.2f} Ah at {capacity.mean_a:.2f} A on the mean,"
        f" which is {amount}{more} at the rated time"
    )
    if found.rated is not None:
        share = quantity(
            found.rated.percent, "%", found.rated.expanded_uncertainty_percent, decimals=0
        )
        text += f", {share} of what is marked{more}"
    if capacity.bound:
        text += f", for {capacity.why_bound}"
    yield f"{text}. Not corrected for temperature."
    if found.ageing is not None:
        yield from ageing_in_words(found.ageing)


def ageing_in_words(found: Ageing) -> Iterable[str]:
    """Write what several runs of one battery say together."""
    yield f"By date: {'; '.join(_dated(each) for each in found.capacities)}."
    change = found.change
    if change is not None:
        gap = quantity(change.difference_ah, "Ah", change.expanded_uncertainty_ah, signed=True)
        said = "within what" if change.is_explained else "more than"
        en = "" if change.en is None else f" (En {change.en:.1f})".replace("-", MINUS)
        yield f"First to last it changed by {gap}, {said} the uncertainties explain{en}."
    if found.per_year is not None:
        slope = quantity(
            found.per_year.percent,
            "% per year",
            found.per_year.expanded_uncertainty_percent,
            decimals=1,
            signed=True,
        )
        yield f"Ageing: {slope}, if it was one battery all along."
    else:
        yield f"No ageing is claimed: {found.why_none}."


def _dated(each: Capacity) -> str:
    amount = quantity(each.value_ah, "Ah", each.expanded_uncertainty_ah)
    return f"{each.started_utc:%Y-%m-%d} {amount}{' or more' if each.bound else ''}"


def _way(each: Reach, found: InService) -> ReachLine:
    title = (
        "Heard by a handheld (talk-out)" if each.way == "talk-out" else "Hears a handheld (talk-in)"
    )
    if each.usual_m is None or each.most_m is None or each.budget_db is None:
        why = f"The {each.missing} was not measured."
        return ReachLine(way=title, usual=NOT_MEASURED, most=NOT_MEASURED, why=why)
    low, _, high = (distance_down(metres) for metres in each.usual_m)
    # Without U: what is assumed of antennas and handheld is not in it.
    budget = quantity(each.budget_db, "dB", decimals=0)
    why = f"the path may lose {budget}"
    if each.way == "talk-in":
        why += f"; set by the {found.governing}"
    if each.horizon_m is not None and each.most_m >= each.horizon_m:
        why += f"; the horizon is at {distance_down(each.horizon_m)}"
    usual = low if low == high else f"{low} to {high}"
    return ReachLine(way=title, usual=usual, most=distance_down(each.most_m), why=f"{why}.")


def _balance(found: InService) -> str:
    balance = found.balance
    if balance is None:
        return f"Balance of talk-out and talk-in: {NOT_MEASURED}."
    size = quantity(abs(balance.value_db), "dB", balance.expanded_uncertainty_db)
    if balance.longer is not None and abs(balance.value_db) < CLOSE_DB:
        return f"{balance.longer.capitalize()} is {size} stronger, which hardly shows in use{OF_U}."
    if balance.longer == "talk-out":
        return (
            f"Talk-out is {size} stronger: it is heard where it no longer hears. A handheld that"
            f" hears it well may still not get in{OF_U}."
        )
    if balance.longer == "talk-in":
        return f"Talk-in is {size} stronger: it hears handhelds that no longer hear it{OF_U}."
    return f"Talk-out and talk-in are balanced within the uncertainty, {size} apart{OF_U}."


def _exposure(each: Exposure) -> ExposureLine:
    return ExposureLine(
        public=each.public,
        limit=f"{each.limit_mw_per_cm2:g} mW/cm²",
        distances=tuple(distance_up(metres) for metres in each.distances_m),
    )


def _keep_away(found: InService) -> str:
    public = next((e for e in found.exposures if e.public == "general public"), None)
    if public is None:
        return (
            "Exposure distance: not measured. Until the power is measured, let nobody near the"
            " antenna while it is keyed."
        )
    text = f"Keep people {distance_up(public.distances_m[-1])} or more from the keyed antenna"
    if found.wavelength_m is not None and public.distances_m[-1] < found.wavelength_m:
        text += (
            f"; nearer than a wavelength ({found.wavelength_m:.1f} m) this is an indication only"
        )
    return f"{text}. Nobody touches it."


def _knob(advice: Advice | None, found: InService) -> tuple[str, str]:
    if advice is None:
        return NOT_MEASURED, "Nothing of the squelch was measured."
    words = advised(advice)
    chosen = advice.chosen
    return (
        "not proven" if chosen is None else knob_in_words(chosen.position.knob),
        f"{words.headline}. {words.sentence}",
    )


def _input(each: Known) -> InputLine:
    if isinstance(each.value, str):
        value = each.value
    elif each.value is None:
        value = "–"
    elif each.expanded_uncertainty is None:
        is_round = each.value == round(each.value, 3)
        value = (
            plain(each.value, each.unit)
            if is_round
            else quantity(each.value, each.unit, decimals=1)
        )
    else:
        value = quantity(each.value, each.unit, each.expanded_uncertainty)
    title = f"{each.title[:1].upper()}{each.title[1:]}"
    return InputLine(title=title, value=value, origin=each.origin, source=each.source)


def _cautions(found: InService) -> Iterable[str]:
    if found.hydrogen_l_per_ah is not None:
        yield (
            "Charging: in moving air, no flame or spark near. Each ampere-hour of overcharge frees"
            f" {found.hydrogen_l_per_ah:.1f} L of hydrogen, which burns from 4 % in air."
        )
    else:
        yield "Charging: only with a charger made for this chemistry, on nothing that burns."
    yield (
        "Fuse at the battery's terminal first, no larger than its wire stands: a battery gives"
        " hundreds of amperes into a short."
    )
    yield (
        "Hoisting: mast and case by rated gear only, nobody beneath, clear of power lines, down"
        " before a thunderstorm."
    )
    yield (
        "Licence: key it only on frequencies and with the power that you are licensed for, with an"
        " antenna or a load on the port before power."
    )
    yield "Local rules and licensed practice come first."


def factors_in_words() -> tuple[str, ...]:
    """Name the factors of the ground, in the order of the distances."""
    words = ("free space", "usual ground", "perfect ground")
    return tuple(f"{word}, × {factor:g}" for word, factor in zip(words, REFLECTIONS, strict=True))
