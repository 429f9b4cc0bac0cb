"""OpenCV under its usual name, loaded when a photo is first looked at: whoever only tells of photos does not wait for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import cv2 as cv2
else:

    class _Later:
        def __getattr__(self, name: str) -> Any:
            import cv2

            return getattr(cv2, name)

    cv2 = _Later()
