"""The cache: what is damaged is made anew."""

import numpy as np
import pytest

from chainweigh.render.cache import Cache


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[: len(content) // 2],
        lambda content: b"",
        lambda content: content.replace(b"loud", b"lo\x9ad"),
    ],
    ids=["cut off", "empty", "not text"],
)
def test_a_damaged_record_counts_as_none_and_can_be_stored_again(tmp_path, damage):
    cache = Cache(tmp_path)
    samples = np.zeros((2, 64), np.float32)
    cache.store("ab12", "loud", {"take": samples}, 48_000)
    assert cache.load("ab12", str) == "loud"
    record = tmp_path / "ab" / "ab12.json"
    record.write_bytes(damage(record.read_bytes()))
    assert cache.load("ab12", str) is None
    cache.store("ab12", "loud", {"take": samples}, 48_000)
    assert cache.load("ab12", str) == "loud"
