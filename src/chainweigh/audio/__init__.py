"""The one array convention, files and resampling."""

from chainweigh.audio.array import (
    Audio,
    Samples,
    check_pair,
    check_rate,
    check_samples,
    from_db,
    padded,
    to_db,
)
from chainweigh.audio.atomic import (
    file_in_place,
    folder_in_place,
    link_or_copy,
    write_bytes,
    write_text,
)
from chainweigh.audio.digest import digest_samples
from chainweigh.audio.files import AudioHeader, read_audio, read_header, write_wav
from chainweigh.audio.resample import resample

__all__ = [
    "Audio",
    "AudioHeader",
    "Samples",
    "check_pair",
    "check_rate",
    "check_samples",
    "digest_samples",
    "file_in_place",
    "folder_in_place",
    "from_db",
    "link_or_copy",
    "padded",
    "read_audio",
    "read_header",
    "resample",
    "to_db",
    "write_bytes",
    "write_text",
    "write_wav",
]
