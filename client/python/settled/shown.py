"""How things are shown: amounts of light, and small tables for notebooks."""

from __future__ import annotations

import html
import math
from typing import List, Optional, Tuple


def figures(value: float, count: int = 5) -> str:
    """A number to so many figures, noughts at the end included: what is shown is what is known."""
    if not math.isfinite(value):
        return str(value)
    text = f"{value:#.{count}g}"
    if "e+" in text:
        return f"{float(text):.0f}"
    return text[:-1] if text.endswith(".") else text


def amount(value: Optional[float], unit: str) -> str:
    """An amount of light with its unit, to five figures."""
    return "no light told" if value is None else f"{figures(value)} {unit}"


def table(title: str, rows: List[Tuple[str, str]]) -> str:
    """A small table for notebooks. Whatever comes from elsewhere is escaped."""
    body = "".join(f"<tr><th>{html.escape(name)}</th><td>{html.escape(value)}</td></tr>" for name, value in rows)
    return f"<table><caption>{html.escape(title)}</caption><tbody>{body}</tbody></table>"
