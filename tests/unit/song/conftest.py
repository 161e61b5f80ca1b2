"""Song folders of small 32-bit float WAV files, packed after the RIFF WAVE specification."""

import struct
from pathlib import Path

import numpy as np
import pytest

IEEE_FLOAT = 3


class SongFolder:
    """A folder to fill with stems."""

    def __init__(self, path: Path) -> None:
        self.path = path
        path.mkdir()

    def stem(self, name: str, channels: list, *, rate_hz: int = 48_000) -> None:
        """Write channels of sample values as a float WAV."""
        frames = np.array(channels, dtype="<f4").T
        n_channels = frames.shape[1]
        fmt = struct.pack(
            "<HHIIHH", IEEE_FLOAT, n_channels, rate_hz, rate_hz * 4 * n_channels, 4 * n_channels, 32
        )
        body = b"WAVEfmt " + struct.pack("<I", 16) + fmt
        body += b"data" + struct.pack("<I", frames.nbytes) + frames.tobytes()
        self.other(name, b"RIFF" + struct.pack("<I", len(body)) + body)

    def other(self, name: str, content: bytes = b"x") -> None:
        """Write any bytes."""
        path = self.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)

    def toml(self, text: str) -> None:
        """Write song.toml."""
        self.other("song.toml", text.encode())


@pytest.fixture
def song_folder(tmp_path: Path) -> SongFolder:
    return SongFolder(tmp_path / "night-bus")
