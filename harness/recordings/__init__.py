"""Recordings: SigMF pairs, takes, audio files and battery logs; open, check, stream, write."""

from harness.recordings.amend import widen_skew
from harness.recordings.audio import AudioFile, open_audio
from harness.recordings.audio_writer import AudioWriter
from harness.recordings.description import is_real
from harness.recordings.log_writer import BatteryLogWriter
from harness.recordings.logs import LogTable, read_log
from harness.recordings.raw import import_raw
from harness.recordings.recording import Recording, open_recording
from harness.recordings.take import Take, open_take, write_collection
from harness.recordings.timeline import Annotation, Segment
from harness.recordings.writer import RecordingWriter

__all__ = [
    "Annotation",
    "AudioFile",
    "AudioWriter",
    "BatteryLogWriter",
    "LogTable",
    "Recording",
    "RecordingWriter",
    "Segment",
    "Take",
    "import_raw",
    "is_real",
    "open_audio",
    "open_recording",
    "open_take",
    "read_log",
    "widen_skew",
    "write_collection",
]
