"""Names for files and for content."""

import hashlib
import re
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainweigh.audio import digest_samples
from chainweigh.audio.slug import slug


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Drums", "drums"),
        ("Lead  Synth (wet)", "lead-synth-wet"),
        ("--Bass_808--", "bass-808"),
        ("Café", "cafe"),
        ("a/b\\..", "a-b"),
    ],
)
def test_a_slug_reads_like_its_name(name, expected):
    assert slug(name) == expected


@given(st.text())
def test_a_slug_is_a_safe_file_name(name):
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug(name))
    assert len(slug(name)) <= 120


@pytest.mark.parametrize(
    ("one", "other"), [("ドラム", "ベース"), ("ドラム 1", "ベース 1"), ("x" * 200, "x" * 201)]
)
def test_names_a_slug_cannot_spell_stay_apart(one, other):
    assert slug(one) != slug(other)


def test_the_same_accent_in_either_unicode_form_gives_one_slug():
    assert slug("ベース") == slug("ヘ\u3099ース")


def test_a_digest_is_blake2b_of_shape_rate_and_little_endian_samples():
    samples = np.array([[0.5, -1.0]], np.float32)
    content = b"1 2 48000\n" + struct.pack("<2f", 0.5, -1.0)
    assert digest_samples(samples, 48_000) == hashlib.blake2b(content, digest_size=32).hexdigest()


def test_a_digest_changes_with_every_part_of_the_content():
    samples = np.zeros((2, 4), np.float32)
    nudged = samples.copy()
    nudged[1, 3] = 1e-30
    digests = {
        digest_samples(samples, 48_000),
        digest_samples(samples, 44_100),
        digest_samples(nudged, 48_000),
        digest_samples(samples.reshape(1, 8), 48_000),
        digest_samples(samples[:, :3], 48_000),
    }
    assert len(digests) == 5
