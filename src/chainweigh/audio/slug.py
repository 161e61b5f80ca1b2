"""Names as parts of file names."""

import hashlib
import re
import unicodedata

_MAX_LENGTH = 100


def slug(name: str) -> str:
    """Name in lower case ASCII letters, digits and single hyphens; never empty.

    Notes
    -----
    Accents are dropped. Where letters of another script are lost, or the text is too long for a
    file name, eight hexadecimal digits of its digest keep different names apart.
    """
    folded = unicodedata.normalize("NFKD", name)
    ascii_text = folded.encode("ascii", "ignore").decode().lower()
    plain = re.sub(r"[^a-z0-9]+", "-", ascii_text).strip("-")
    lost_letters = any(ord(c) > 127 and c.isalnum() for c in folded)
    if plain and not lost_letters and len(plain) <= _MAX_LENGTH:
        return plain
    content = unicodedata.normalize("NFC", name).encode("utf-8", "surrogatepass")
    digest = hashlib.blake2b(content, digest_size=4).hexdigest()
    return "-".join(part for part in (plain[:_MAX_LENGTH].strip("-"), digest) if part)
