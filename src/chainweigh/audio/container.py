"""Where a file's header says its audio ends: how a truncated file is told from a whole one.

Decoders read what is there and keep silent about what is missing, so the header is read here.

References
----------
Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991): RIFF WAVE.
EBU Tech 3306, RF64 (2009); ITU-R BS.2088 (BW64): the ds64 chunk.
Apple, Audio Interchange File Format 1.3 (1989). RFC 3533 (2003): Ogg pages.
"""

import struct
from pathlib import Path
from typing import BinaryIO

UNSTATED = 0xFFFF_FFFF  # 32-bit size of a stream whose length was unknown when it was written
_OGG_PAGE_MAX = 27 + 255 + 255 * 255


def missing_bytes(path: Path) -> int:
    """Bytes of audio that the header states and the file does not hold; 0 where it is whole.

    Notes
    -----
    Knows RIFF (also big-endian), RF64, BW64, Wave64, AIFF, AIFF-C and AU. Other formats, and
    streams that state no length, give 0: there the decoder's own count is the only witness.
    """
    n_bytes = path.stat().st_size
    with path.open("rb") as file:
        end = _stated_end(file)
    return max(0, end - n_bytes) if end is not None else 0


def is_cut_ogg(path: Path) -> bool:
    """True for an Ogg file whose last page is incomplete or is not marked as the end of stream."""
    with path.open("rb") as file:
        if file.read(4) != b"OggS":
            return False
        file.seek(max(0, path.stat().st_size - _OGG_PAGE_MAX))
        tail = file.read()
    page = tail[tail.rfind(b"OggS") :]
    if len(page) < 27 or not page[5] & 0x04:
        return True
    n_segments = page[26]
    return len(page) < 27 + n_segments + sum(page[27 : 27 + n_segments])


def _stated_end(file: BinaryIO) -> int | None:
    head = file.read(16)
    magic, form = head[:4], head[8:12]
    if form == b"WAVE" and magic in (b"RIFF", b"RF64", b"BW64"):
        return _riff_end(file, "<")
    if form == b"WAVE" and magic == b"RIFX":
        return _riff_end(file, ">")
    if magic == b"FORM" and form in (b"AIFF", b"AIFC"):
        return _aiff_end(file)
    if magic == b"riff":
        return _wave64_end(file)
    if magic == b".snd" and len(head) >= 12:
        offset, size = struct.unpack(">II", head[4:12])
        return None if size == UNSTATED else int(offset + size)
    return None


def _riff_end(file: BinaryIO, order: str) -> int | None:
    position, long_size = 12, None
    while True:
        file.seek(position)
        head = file.read(8)
        if len(head) < 8:
            return None
        name, size = struct.unpack(order + "4sI", head)
        if name == b"ds64":
            long_size = struct.unpack(order + "Q", file.read(16)[8:].ljust(8, b"\0"))[0]
        if name == b"data":
            size = long_size if size == UNSTATED else size
            return None if size is None else int(position + 8 + size)
        position += 8 + size + size % 2


def _aiff_end(file: BinaryIO) -> int | None:
    position = 12
    while True:
        file.seek(position)
        head = file.read(8)
        if len(head) < 8:
            return None
        name, size = struct.unpack(">4sI", head)
        if name == b"SSND":
            return int(position + 8 + size)
        position += 8 + size + size % 2


def _wave64_end(file: BinaryIO) -> int | None:
    position = 40
    while True:
        file.seek(position)
        head = file.read(24)
        if len(head) < 24:
            return None
        name, size = struct.unpack("<4s12xQ", head)  # the size counts its own 24-byte head
        if name == b"data":
            return int(position + size)
        position += max(24, (size + 7) // 8 * 8)
