"""The page's scripts: modules in one text, since a page opened from a file may load no other."""

import base64
import hashlib
import re
from importlib import resources
from typing import Any

from chainweigh.report.strict_json import strict_json

# Each after those it imports from.
MODULES = (
    "binomial",
    "chance",
    "save",
    "sheet",
    "deck",
    "monitor",
    "signals",
    "loop",
    "wave",
    "panel",
    "blind_test",
    "blind_ranking",
    "ladder",
    "table",
    "full_length",
)
_IMPORT = re.compile(r"^import .*\n", re.MULTILINE)
_EXPORT = re.compile(r"^export ", re.MULTILINE)


def page_script() -> str:
    """Every module and what starts them."""
    return modules_text(*MODULES, "main")


def modules_text(*names: str) -> str:
    """Modules one after the other, without their imports and exports."""
    folder = resources.files("chainweigh.report").joinpath("templates")
    texts = (folder.joinpath(f"{name}.js").read_text("utf-8") for name in names)
    return "\n".join(_EXPORT.sub("", _IMPORT.sub("", text)) for text in texts)


def script_json(value: Any) -> str:
    """JSON that can stand inside a script element: nothing in it ends the element."""
    return strict_json(value, "page").replace("<", "\\u003c")


def script_hash(text: str) -> str:
    """What the page's security policy names its script by (CSP level 2, sha256)."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
