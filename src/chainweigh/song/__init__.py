"""A song's folder: stem groups, intake checks, and what the mix is."""

from chainweigh.audio.slug import slug
from chainweigh.song.checks import MASTER_NAME
from chainweigh.song.mix import mix_of, sum_of
from chainweigh.song.song import Group, Song, load_song
from chainweigh.song.song_file import SONG_FILE, SongFile, load_song_file

__all__ = [
    "MASTER_NAME",
    "SONG_FILE",
    "Group",
    "Song",
    "SongFile",
    "load_song",
    "load_song_file",
    "mix_of",
    "slug",
    "sum_of",
]
