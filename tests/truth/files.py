"""Write SigMF pairs, collections and raw codes by hand: json, hashlib and numpy, nothing else.

Codes after DESIGN section 3, Conventions: cu8 is round(127.5 + 127.5 x), cut off at 0 and 255.
ci16_le is round(32768 x), cut off at the rails. 1.0 is the amplitude of 0 dBFS.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

START_UTC = datetime(2026, 6, 21, 4, 30, 0, 250000, tzinfo=UTC)
"""Chosen; a time with a fraction of a second."""


def quantise(iq: np.ndarray, datatype: str) -> np.ndarray:
    """Turn samples into stored codes: shape (n, 2) of complex ones, (n,) of real ones (r...)."""
    if datatype == "rf32_le":
        return iq.astype("<f4")
    if datatype == "ri16_le":
        return np.clip(np.rint(32768.0 * iq), -32768, 32767).astype("<i2")
    pairs = np.stack([iq.real, iq.imag], axis=1)
    if datatype == "cu8":
        return np.clip(np.rint(127.5 + 127.5 * pairs), 0, 255).astype("u1")
    if datatype == "ci16_le":
        return np.clip(np.rint(32768.0 * pairs), -32768, 32767).astype("<i2")
    if datatype == "cf32_le":
        return pairs.astype("<f4")
    raise ValueError(datatype)


def write_pair(
    base: Path,
    chunks: Iterable[np.ndarray],
    datatype: str,
    sample_rate_hz: float,
    centre_hz: float | None,
    *,
    fields: Mapping[str, Any] | None = None,
    annotations: Iterable[Mapping[str, Any]] = (),
    checksum: bool = True,
    start: datetime = START_UTC,
) -> Path:
    """Write a recording chunk by chunk and give the path of its .sigmf-meta.

    ``chunks`` are complex samples (real ones for a datatype r...), or codes of shape (n, 2) as
    they shall stand in the file. A ``centre_hz`` of None leaves the frequency out.
    ``fields`` are own fields without their namespace: ``{"role": "output"}``.
    """
    digest = hashlib.sha512()
    data_path = base.with_name(base.name + ".sigmf-data")
    with data_path.open("xb") as data:
        for chunk in chunks:
            made = np.iscomplexobj(chunk) or datatype.startswith("r")
            codes = quantise(chunk, datatype) if made else chunk
            octets = codes.tobytes()
            digest.update(octets)
            data.write(octets)
    meta: dict[str, Any] = {
        "global": {
            "core:version": "1.2.6",
            "core:datatype": datatype,
            "core:sample_rate": sample_rate_hz,
            "core:num_channels": 1,
            "core:hw": "made for a test",
            "core:extensions": [{"name": "harness", "version": "1.0.0", "optional": True}],
        },
        "captures": [
            {
                "core:sample_start": 0,
                **({} if centre_hz is None else {"core:frequency": centre_hz}),
                "core:datetime": start.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            }
        ],
        "annotations": [dict(a) for a in annotations],
    }
    if checksum:
        meta["global"]["core:sha512"] = digest.hexdigest()
    for name, value in (fields or {}).items():
        meta["global"][f"harness:{name}"] = value
    meta_path = base.with_name(base.name + ".sigmf-meta")
    meta_path.write_text(json.dumps(meta, indent=2), encoding="utf-8")
    return meta_path


def write_collection(path: Path, metas: Iterable[Path]) -> Path:
    """Group recordings of one take in a .sigmf-collection beside them."""
    streams = [
        {
            "name": meta.name.removesuffix(".sigmf-meta"),
            "hash": hashlib.sha512(meta.read_bytes()).hexdigest(),
        }
        for meta in metas
    ]
    path = path.with_name(path.name + ".sigmf-collection")
    path.write_text(
        json.dumps({"collection": {"core:version": "1.2.6", "core:streams": streams}}),
        encoding="utf-8",
    )
    return path


def step(
    start_s: float,
    duration_s: float,
    sample_rate_hz: float,
    level_dbm: float | None,
    *,
    knob: str | None = None,
    offset_hz: float | None = None,
    transmitter: str | None = None,
    label: str | None = None,
) -> dict[str, Any]:
    """Annotate a step of a sweep; no level means the generator is off."""
    note: dict[str, Any] = {
        "core:sample_start": round(start_s * sample_rate_hz),
        "core:sample_count": round(duration_s * sample_rate_hz),
    }
    if level_dbm is None:
        note["core:label"] = "no signal"
    else:
        note["harness:level_dbm"] = level_dbm
    if label is not None:
        note["core:label"] = label
    for name, value in (("knob", knob), ("offset_hz", offset_hz), ("transmitter", transmitter)):
        if value is not None:
            note[f"harness:{name}"] = value
    return note
