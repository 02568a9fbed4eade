"""Where the daemon's socket is."""

from __future__ import annotations

import os
from typing import List, Mapping, Optional, Union

VARIABLE = "SETTLED_SOCKET"


#: What names a socket.
Path = Union[str, "os.PathLike[str]"]


def candidates(path: Optional[Path] = None, environment: Mapping[str, str] = os.environ) -> List[str]:
    """Paths to try in order: the one that is named; else $SETTLED_SOCKET; else the user's own, then the system's."""
    named = os.fsdecode(path) if path else environment.get(VARIABLE)
    if named:
        return [named]
    own = environment.get("XDG_RUNTIME_DIR")
    return ([os.path.join(own, "settled", "socket")] if own else []) + ["/run/settled/socket"]
