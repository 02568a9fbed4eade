"""Where the daemon's socket is."""

from __future__ import annotations

import os
from typing import List, Mapping, Optional

VARIABLE = "SETTLED_SOCKET"


def candidates(path: Optional[str] = None, environment: Mapping[str, str] = os.environ) -> List[str]:
    """Paths to try in order: the one that is named; else $SETTLED_SOCKET; else the user's own, then the system's."""
    named = path or environment.get(VARIABLE)
    if named:
        return [named]
    own = environment.get("XDG_RUNTIME_DIR")
    return ([os.path.join(own, "settled", "socket")] if own else []) + ["/run/settled/socket"]
