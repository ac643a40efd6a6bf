"""The description of a recording: SigMF metadata in and out, checked.

The library ``sigmf`` holds the standard's schema; it does not know our extension, lets impossible
datatypes through and does not look at the data, so its check comes after our own.
Rules: SigMF schema 1.2.6.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast, get_args

import numpy as np

from harness.devices import Role, TransmitterState
from harness.errors import BadInput, Damaged
from harness.recordings.checks import Fields, load_object, shown
from harness.recordings.timeline import Annotation
from harness.recordings.utc import utc_from_text, utc_text

DTYPES: dict[str, str] = {
    "cu8": "u1",
    "ci16_le": "<i2",
    "cf32_le": "<f4",
    "ri16_le": "<i2",
    "rf32_le": "<f4",
}
"""Datatypes that the bench reads, and how numpy calls one number of them."""
ROLES: tuple[str, ...] = get_args(Role)
TRANSMITTER_STATES: tuple[str, ...] = get_args(TransmitterState)
EXTENSION = {"name": "harness", "version": "1.0.0", "optional": True}
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1e3, 1e9
"""No FM channel fits below, no receiver for one samples above; chosen."""
MOST_OFFSET_HZ = 1e6
"""A generator set further off the channel is a mistake in the file; chosen."""
MOST_CLOCK_ERROR_PPM = 1000.0
"""A crystal further off is a mistake in the file; chosen."""
_SHA512 = re.compile(r"[0-9a-fA-F]{128}")
_VERSION = re.compile(r"(\d{1,6})\.\d{1,6}\.\d{1,6}\D?.*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """A segment as the file has it: ``stored_start`` counts stored samples."""

    stored_start: int
    centre_hz: float | None = None
    start_utc: datetime | None = None
    global_index: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """What a recording says of itself, in the file's own count of samples.

    ``annotations`` stand in stored samples; ``dataset`` is the name of a data file that does not
    follow the standard, with ``header_bytes`` before and ``trailing_bytes`` behind its samples.
    """

    datatype: str
    sample_rate_hz: float
    role: Role | None = None
    full_scale_dbm: float | None = None
    port_offset_db: float | None = None
    skew_s: float | None = None
    skew_uncertainty_s: float | None = None
    clock_error_ppm: float | None = None
    clock_uncertainty_ppm: float | None = None
    gain_db: float | None = None
    sample_count: int | None = None
    hardware: str = ""
    note: str = ""
    sha512: str | None = None
    dataset: str | None = None
    header_bytes: int = 0
    trailing_bytes: int = 0
    captures: tuple[Capture, ...] = ()
    annotations: tuple[Annotation, ...] = ()


def read_description(raw: bytes, where: str, *, by_schema: bool = True) -> Description:
    """Read and check the bytes of a ``.sigmf-meta`` file; Damaged for anything impossible.

    The check by the standard's schema comes last and takes most of the time (40 ms).
    """
    document = load_object(raw, where)
    for part in ("global", "captures", "annotations"):
        if part not in document:
            raise Damaged(f"has no {part}", where, "Is it really a SigMF description?")
    whole = Fields(document, where, "top level")
    fields = Fields(document["global"], where, "global")
    _require_known(fields)
    rate_hz = fields.number("core:sample_rate", LOWEST_RATE_HZ, HIGHEST_RATE_HZ)
    if rate_hz is None:
        raise fields.missing("core:sample_rate", "Write the rate into it, in hertz.")
    offset = fields.integer("core:offset") or 0
    captures, header_bytes = _captures(whole.items("captures"), where, offset)
    annotations = _annotations(whole.items("annotations"), where, offset)
    datatype = _datatype(fields)
    role = cast("Role | None", fields.word("harness:role", ROLES))
    if is_real(datatype) and role not in (None, "audio"):
        raise fields.wrong(
            "harness:role", f"but {datatype} holds audio, not IQ", 'Write "audio" into it.'
        )
    sha512 = fields.text("core:sha512")
    if sha512 is not None and not _SHA512.fullmatch(sha512):
        raise fields.wrong("core:sha512", "not 128 hexadecimal digits")
    most_ppm = MOST_CLOCK_ERROR_PPM
    description = Description(
        datatype=datatype,
        sample_rate_hz=rate_hz,
        role=role,
        full_scale_dbm=fields.number("harness:full_scale_dbm"),
        port_offset_db=fields.number("harness:port_offset_db"),
        skew_s=fields.number("harness:skew_s"),
        skew_uncertainty_s=fields.number("harness:skew_uncertainty_s", 0.0),
        clock_error_ppm=fields.number("harness:clock_error_ppm", -most_ppm, most_ppm),
        clock_uncertainty_ppm=fields.number("harness:clock_uncertainty_ppm", 0.0, most_ppm),
        gain_db=fields.number("harness:gain_db"),
        sample_count=fields.integer("harness:sample_count"),
        hardware=fields.text("core:hw") or "",
        note=fields.text("core:description") or "",
        sha512=sha512.lower() if sha512 else None,
        dataset=_dataset(fields),
        header_bytes=header_bytes,
        trailing_bytes=fields.integer("core:trailing_bytes") or 0,
        captures=captures,
        annotations=annotations,
    )
    if by_schema:
        require_valid(document, where)
    return description


def is_real(datatype: str) -> bool:
    """Whether a datatype holds one number a sample (audio), not I and Q."""
    return datatype.startswith("r")


def sample_shape(datatype: str) -> tuple[int, ...]:
    """Shape of one sample: () for audio, (2,) for IQ."""
    return () if is_real(datatype) else (2,)


def sample_bytes(datatype: str) -> int:
    """Bytes of one stored sample."""
    return np.dtype(DTYPES[datatype]).itemsize * (1 if is_real(datatype) else 2)


def _require_known(fields: Fields) -> None:
    """Refuse a version or an extension that a reader may not pass over."""
    version = fields.text("core:version")
    if version is None:
        raise fields.missing("core:version")
    found = _VERSION.fullmatch(version)
    if found is None or int(found[1]) > 1:
        raise fields.wrong("core:version", "not a version that the bench reads (0.x, 1.x)")
    channels = fields.integer("core:num_channels", 1)
    if channels not in (None, 1):
        raise fields.wrong(
            "core:num_channels", "more than one", "Store each channel as its own recording."
        )
    if fields.flag("core:metadata_only"):
        raise BadInput("describes samples that it does not bring", fields.where, "Get the data.")
    for position, item in enumerate(fields.items("core:extensions")):
        extension = Fields(item, fields.where, f"core:extensions[{position}]")
        name, optional = extension.text("name"), extension.flag("optional")
        extension.text("version")
        if optional is False and name != EXTENSION["name"]:
            raise BadInput(
                f"needs the SigMF extension {shown(name)}, which the bench does not know",
                fields.where,
                "Mark it optional if its fields may be passed over.",
            )


def _dataset(fields: Fields) -> str | None:
    """Give the name of a data file that is called otherwise: beside the description, no path."""
    name = fields.text("core:dataset")
    if name is not None and (name in ("", ".", "..") or set(name) & set('/\\:\0*?"<>|')):
        raise fields.wrong(
            "core:dataset",
            "not the name of a file beside it",
            "Put the data file into the same folder.",
        )
    return name


def _datatype(fields: Fields) -> str:
    datatype = fields.text("core:datatype")
    if datatype is None:
        raise fields.missing("core:datatype", f"Write one of {', '.join(DTYPES)} into it.")
    if datatype not in DTYPES:
        raise fields.wrong(
            "core:datatype", f"an unknown datatype: none of {', '.join(DTYPES)}", "Convert it."
        )
    return datatype


def _captures(items: list[Any], where: str, offset: int) -> tuple[tuple[Capture, ...], int]:
    """Give the segments and the header's size; an empty list is one segment from the start."""
    made: list[Capture] = []
    header_bytes = 0
    for position, item in enumerate(items):
        fields = Fields(item, where, f"captures[{position}]")
        stored = _start(fields, offset, made[-1].stored_start if made else None)
        if not made and stored:
            raise fields.wrong(
                "core:sample_start",
                "so the samples before it belong to no segment",
                f"Begin the first segment at {offset}.",
            )
        header = fields.integer("core:header_bytes") or 0
        if header and made:
            raise fields.wrong("core:header_bytes", "a header amid the data", "Convert it.")
        header_bytes += header
        when = fields.text("core:datetime")
        try:
            start_utc = utc_from_text(when) if when is not None else None
        except ValueError:
            raise fields.wrong(
                "core:datetime", "not a UTC time", "Write it as 2025-03-01T06:00:00.000000Z."
            ) from None
        made.append(
            Capture(
                stored_start=stored,
                centre_hz=fields.number("core:frequency", -1e12, 1e12),
                start_utc=start_utc,
                global_index=fields.integer("core:global_index"),
            )
        )
    return tuple(made or [Capture(stored_start=0)]), header_bytes


def _annotations(items: list[Any], where: str, offset: int) -> tuple[Annotation, ...]:
    made: list[Annotation] = []
    for position, item in enumerate(items):
        fields = Fields(item, where, f"annotations[{position}]")
        stored = _start(fields, offset, made[-1].start_sample if made else None)
        lower = fields.number("core:freq_lower_edge", -1e12, 1e12)
        upper = fields.number("core:freq_upper_edge", -1e12, 1e12)
        if lower is not None and upper is not None and upper < lower:
            raise fields.wrong("core:freq_upper_edge", "below core:freq_lower_edge")
        made.append(
            Annotation(
                start_sample=stored,
                sample_count=fields.integer("core:sample_count"),
                label=fields.text("core:label"),
                comment=fields.text("core:comment"),
                level_dbm=fields.number("harness:level_dbm"),
                knob=fields.text("harness:knob"),
                offset_hz=fields.number("harness:offset_hz", -MOST_OFFSET_HZ, MOST_OFFSET_HZ),
                transmitter=cast(
                    "TransmitterState | None",
                    fields.word("harness:transmitter", TRANSMITTER_STATES),
                ),
                lost_samples=fields.integer("harness:lost_samples"),
                freq_lower_hz=lower,
                freq_upper_hz=upper,
            )
        )
    return tuple(made)


def _start(fields: Fields, offset: int, before: int | None) -> int:
    start = fields.integer("core:sample_start", offset)
    if start is None:
        raise fields.missing("core:sample_start")
    if before is not None and start - offset < before:
        raise fields.wrong(
            "core:sample_start", f"before the {before + offset} above it", "Sort them by start."
        )
    return start - offset


@functools.cache
def _validator() -> Any:
    """Checker of the library's schema, made once: making it costs more than using it."""
    # A quarter of a second to import, so only when a recording is opened.
    from jsonschema.validators import validator_for
    from sigmf.schema import get_schema

    schema = get_schema()
    return validator_for(schema)(schema)


def require_valid(document: Mapping[str, Any], where: str) -> None:
    """Check a description by the standard's own schema; Damaged where it differs."""
    from jsonschema.exceptions import best_match

    starts = [note.get("core:sample_start", 0) for note in document.get("annotations", ())]
    fault = best_match(_validator().iter_errors(document))
    if fault is None and starts != sorted(starts):
        raise Damaged("annotations: not in order", where, "Sort them by core:sample_start.")
    if fault is not None:
        place = fault.json_path.removeprefix("$.") or "top level"
        why = fault.message if len(fault.message) <= 120 else f"breaks its {fault.validator} rule"
        raise Damaged(
            f"{ascii(place)[1:-1][:80]}: {ascii(why)[1:-1]}", where, "Correct it after SigMF 1.2."
        )


def write_document(description: Description, recorder: str) -> dict[str, Any]:
    """Give the metadata object of a description; fields that are None or empty stay out."""
    import sigmf

    fields: dict[str, Any] = {
        "core:version": sigmf.__specification__,
        "core:datatype": description.datatype,
        "core:sample_rate": description.sample_rate_hz,
        "core:num_channels": 1,
        "core:sha512": description.sha512,
        "core:recorder": recorder,
        "core:hw": description.hardware or None,
        "core:description": description.note or None,
        "core:extensions": [dict(EXTENSION)],
        "harness:role": description.role,
    }
    for name in (
        "sample_count",
        "gain_db",
        "full_scale_dbm",
        "port_offset_db",
        "skew_s",
        "skew_uncertainty_s",
        "clock_error_ppm",
        "clock_uncertainty_ppm",
    ):
        fields[f"harness:{name}"] = getattr(description, name)
    captures = [
        {
            "core:sample_start": capture.stored_start,
            "core:frequency": capture.centre_hz,
            "core:datetime": utc_text(capture.start_utc) if capture.start_utc else None,
            "core:global_index": capture.global_index,
        }
        for capture in description.captures
    ]
    annotations = [
        {
            "core:sample_start": note.start_sample,
            "core:sample_count": note.sample_count,
            "core:label": note.label,
            "core:comment": note.comment,
            "core:freq_lower_edge": note.freq_lower_hz,
            "core:freq_upper_edge": note.freq_upper_hz,
            "harness:level_dbm": note.level_dbm,
            "harness:knob": note.knob,
            "harness:offset_hz": note.offset_hz,
            "harness:transmitter": note.transmitter,
            "harness:lost_samples": note.lost_samples,
        }
        for note in description.annotations
    ]
    return {
        "global": _given(fields),
        "captures": [_given(item) for item in captures],
        "annotations": [_given(item) for item in annotations],
    }


def _given(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None}
