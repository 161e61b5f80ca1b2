"""Audio files packed byte by byte from their formats' specifications.

RIFF WAVE: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991);
WAVEFORMATEXTENSIBLE: Microsoft, Multiple Channel Audio Data and WAVE Files (2001); RF64 and ds64:
EBU Tech 3306; AIFF: Apple, Audio Interchange File Format 1.3 (1989).
"""

import struct
from collections.abc import Callable
from pathlib import Path

import pytest

PCM, IEEE_FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
# Tail of the GUIDs that WAVEFORMATEXTENSIBLE makes of a format tag: XXXX0000-0010-8000-00AA00389B71
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def chunk(name: bytes, content: bytes, stated: int | None = None) -> bytes:
    size = len(content) if stated is None else stated
    return name + struct.pack("<I", size) + content + b"\0" * (len(content) % 2)


def wav_bytes(
    data: bytes,
    *,
    tag: int = PCM,
    bits: int = 16,
    n_channels: int = 1,
    rate_hz: int = 48_000,
    extensible: bool = False,
    stated: int | None = None,
    before: bytes = b"",
    after: bytes = b"",
) -> bytes:
    frame = n_channels * bits // 8
    outer = EXTENSIBLE if extensible else tag
    fmt = struct.pack("<HHIIHH", outer, n_channels, rate_hz, rate_hz * frame, frame, bits)
    if extensible:
        fmt += struct.pack("<HHIH", 22, bits, 0, tag) + GUID_TAIL
    body = b"WAVE" + before + chunk(b"fmt ", fmt) + chunk(b"data", data, stated) + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


def rf64_bytes(data: bytes, *, stated: int) -> bytes:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, stated, stated // 2, 0))
    fmt = chunk(b"fmt ", struct.pack("<HHIIHH", PCM, 1, 48_000, 96_000, 2, 16))
    data_chunk = b"data" + struct.pack("<I", 0xFFFF_FFFF) + data
    return b"RF64" + struct.pack("<I", 0xFFFF_FFFF) + b"WAVE" + ds64 + fmt + data_chunk


def aiff_bytes(data: bytes, *, n_frames: int, stated: int | None = None) -> bytes:
    rate_48_khz = bytes.fromhex("400ebb80000000000000")  # 80-bit extended float
    common = struct.pack(">hIh", 1, n_frames, 16) + rate_48_khz
    size = 8 + (len(data) if stated is None else stated)
    sound = b"SSND" + struct.pack(">III", size, 0, 0) + data
    body = b"AIFF" + b"COMM" + struct.pack(">I", 18) + common + sound
    return b"FORM" + struct.pack(">I", len(body)) + body


Put = Callable[[bytes], Path]


@pytest.fixture
def put(tmp_path: Path) -> Put:
    """Write bytes as a file and give its path."""

    def put(content: bytes, name: str = "stem.wav") -> Path:
        path = tmp_path / name
        path.write_bytes(content)
        return path

    return put


@pytest.fixture
def wav():
    return wav_bytes


@pytest.fixture
def rf64():
    return rf64_bytes


@pytest.fixture
def aiff():
    return aiff_bytes
