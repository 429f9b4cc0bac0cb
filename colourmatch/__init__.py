"""colourmatch: tint a small batch until it looks like its reference, and know when to stop.

For Python: `measure` a photo, `compare` two colours, `advise` from `Reading`s; colourmatch/face.py says how.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from colourmatch.face import Reading, advise, compare, measure

__version__ = "0.2.0"
__all__ = ["Reading", "__version__", "advise", "compare", "measure"]


def __getattr__(name: str) -> Any:
    """The face, imported when it is first asked for: `colourmatch --help` does without it."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from colourmatch import face

    return getattr(face, name)
