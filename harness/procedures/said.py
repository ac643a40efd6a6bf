"""What people add to a run: who measured, how warm and damp it was, a note, photos.

Photos are copied into the run's folder, their SHA-512 beside their name, so that the record can be
checked against them years later. They are looked at before anything is keyed: what they say in
their first bytes counts, not how they are called.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import Any

from harness.errors import BadInput
from harness.recordings.files import sha512_of, sync_folder

PHOTOS = "photos"
LARGEST_PHOTO_BYTES = 50_000_000
"""Chosen: above what a camera makes of one picture."""
LONGEST_NOTE = 2000
COLDEST_DEGC, WARMEST_DEGC = -60.0, 100.0
ENDINGS = {"png": ".png", "jpeg": ".jpg", "webp": ".webp"}
"""Formats that are kept. Chosen: every browser shows them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What somebody said of a run, at its beginning or when it was resumed.

    Parameters
    ----------
    operator : who measures; empty: as the bench file says
    temperature_degc, humidity_percent : of the room, where somebody looked
    note : free text
    photos : files to be copied
    """

    operator: str = ""
    temperature_degc: float | None = None
    humidity_percent: float | None = None
    note: str = ""
    photos: tuple[Path, ...] = ()

    @property
    def is_anything(self) -> bool:
        """Whether anything was said."""
        return self != NOTHING_SAID

    def require_sound(self) -> None:
        """Refuse what cannot be, and what is no photo.

        Raises
        ------
        BadInput : what is wrong.
        """
        warmth, damp = self.temperature_degc, self.humidity_percent
        if warmth is not None and not COLDEST_DEGC <= warmth <= WARMEST_DEGC:
            raise BadInput(
                f"{warmth:g} degC is no temperature of a bench", "--temperature", "Give it in degC."
            )
        if damp is not None and not 0.0 <= damp <= 100.0:
            raise BadInput(f"{damp:g} % is no humidity", "--humidity", "Give 0 to 100.")
        for text, option in ((self.operator, "--operator"), (self.note, "--note")):
            if len(text) > LONGEST_NOTE or "\0" in text:
                raise BadInput(
                    f"is longer than {LONGEST_NOTE} characters, or holds a NUL",
                    option,
                    "Write less.",
                )
        for photo in self.photos:
            format_of(photo)

    def entries(self, folder: Path) -> list[dict[str, Any]]:
        """Copy the photos into a run's folder; give what is to be written down of all.

        Raises
        ------
        BadInput : a photo cannot be read or copied.
        """
        entries: list[dict[str, Any]] = []
        ambient = {
            "temperature_degc": self.temperature_degc,
            "humidity_percent": self.humidity_percent,
            "note": self.note or None,
        }
        told = {key: value for key, value in ambient.items() if value is not None}
        if told:
            entries.append(told)
        if self.operator:
            entries.append({"operator": self.operator})
        entries += [{"photo": kept_photo(photo, folder)} for photo in self.photos]
        return entries


NOTHING_SAID = Said()


def format_of(photo: Path) -> str:
    """Tell a photo's format by its first bytes.

    Raises
    ------
    BadInput : it cannot be read, is too large, or is neither PNG, JPEG nor WebP.
    """
    try:
        # Of ``os``: a path's own question raises where the name is too long.
        if not os.path.isfile(photo):
            raise BadInput("there is no such photo", str(photo), "Check the name.")
        if photo.stat().st_size > LARGEST_PHOTO_BYTES:
            raise BadInput(
                f"is larger than {LARGEST_PHOTO_BYTES / 1e6:g} MB", str(photo), "Make it smaller."
            )
        with photo.open("rb") as file:
            head = file.read(16)
    except OSError as fault:
        raise BadInput(
            f"cannot be read ({fault.strerror})", str(photo), "Check the name and its rights."
        ) from fault
    # ISO/IEC 15948 5.2 (PNG), ISO/IEC 10918-1 B.1 (SOI and a marker), RFC 9649 2.4 (WebP in RIFF);
    # clauses from memory.
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "webp"
    raise BadInput(
        "is no photo that can be kept (PNG, JPEG or WebP)", str(photo), "Save it as one of these."
    )


def kept_photo(photo: Path, folder: Path) -> dict[str, str]:
    """Copy a photo into a run's folder, under a name that is free; one that is there is not twice.

    Returns
    -------
    dict : its path in the folder, its format, and its SHA-512
    """
    kind = format_of(photo)
    place = folder / PHOTOS
    stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in photo.stem)[:60] or "photo"
    names = chain([stem], (f"{stem}-{number}" for number in count(2)))
    try:
        place.mkdir(parents=True, exist_ok=True)
        wanted = hashlib.sha512(photo.read_bytes()).hexdigest()
        for path in sorted(place.iterdir()):
            if sha512_of(path) == wanted:
                return _row(path, folder, kind, wanted)
        path = next(
            path for name in names if not (path := place / f"{name}{ENDINGS[kind]}").exists()
        )
        shutil.copyfile(photo, path)
        with path.open("rb") as file:
            os.fsync(file.fileno())
        sync_folder(place)
    except OSError as fault:
        raise BadInput(
            f"cannot be copied ({fault.strerror})", str(photo), "Check the folder's permissions."
        ) from fault
    return _row(path, folder, kind, sha512_of(path))


def _row(path: Path, folder: Path, kind: str, sha512: str) -> dict[str, str]:
    return {"path": path.relative_to(folder).as_posix(), "format": kind, "sha512": sha512}


def session_of(said: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Put what was said, in order, into the form that a run keeps (``harness.results.session``)."""
    ambient = ("temperature_degc", "humidity_percent", "note")
    session: dict[str, Any] = {}
    operators = [entry["operator"] for entry in said if "operator" in entry]
    if operators:
        session["operator"] = ", ".join(dict.fromkeys(operators))
    rows = [dict(entry) for entry in said if any(key in entry for key in ambient)]
    if rows:
        session["ambient"] = rows
    photos = {entry["photo"]["path"]: entry["photo"] for entry in said if "photo" in entry}
    if photos:
        session["photos"] = list(photos.values())
    return session
