"""The page's script: the chart libraries and the few lines that draw, in one function; and safe JSON."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

import markupsafe
import vl_convert

_TEMPLATES = Path(__file__).parent / "templates"

# In a <script> element only these characters can end it, open a comment or break a line in old parsers.
_UNSAFE = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}


@cache
def drawing_script() -> str:
    """Chart libraries and drawing code as one script, wrapped so that no name leaks into the page.

    The bundle takes about a second to make, so it is made once a process.
    """
    snippet = (_TEMPLATES / "draw.js").read_text(encoding="utf-8")
    licences = (_TEMPLATES / "licences.txt").read_text(encoding="utf-8")
    bundle = vl_convert.javascript_bundle(snippet)
    script = f"/*\n{licences}*/\n(function () {{\n{bundle}\n}})();\n"
    # The bundle is a parser's text, not ours: nothing in it may end the element that holds it.
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def script_hash(text: str) -> str:
    """The hash by which a Content-Security-Policy names an inline script or style: CSP level 3, sha256."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def json_for_html(value: Any) -> markupsafe.Markup:
    """JSON that can stand inside a <script> element whatever text it carries."""
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
    for character, escaped in _UNSAFE.items():
        text = text.replace(character, escaped)
    return markupsafe.Markup(text)
