"""What went into a batch since the last photo of it, and what is left of the step that was advised there."""

from __future__ import annotations

from dataclasses import dataclass

from colourmatch.book.entries import AdditionEntry, LotEntry, LotStory, NoteEntry, PhotoEntry, VolumeEntry


def changes_colour(entry: LotEntry) -> bool:
    """Whether an entry changes the colour of the batch; a sample that was taken does not."""
    return isinstance(entry, AdditionEntry) or (isinstance(entry, VolumeEntry) and entry.came)


@dataclass(frozen=True)
class Since:
    """The last photo that counts, None before the first, and what changed the colour after it, in order."""

    photo: PhotoEntry | None
    changes: tuple[LotEntry, ...]


def since_photo(story: LotStory) -> Since:
    """What changed the batch since its last photo that counts."""
    photos = [photo for photo in story.counting_photos if photo.purpose == "match"]
    photo = photos[-1] if photos else None
    before = {entry.id for entry in story.entries_before(photo)} if photo else set()
    changes = tuple(entry for entry in story.effective if changes_colour(entry) and entry.id not in before)
    return Since(photo, changes)


def step_left_ml(story: LotStory) -> dict[str, float]:
    """Millilitres of each stock that are left of the step that was advised with the last photo; empty when it is over.

    It is over when all of it is in, when something else went in, and when anything was put right since: the step was
    for another state then.
    """
    since = since_photo(story)
    advised = since.photo.advice.doses if since.photo and since.photo.advice else ()
    wanted = {dose.stock: float(dose.ml) for dose in advised}
    if since.photo is None or any(
        entry.id > since.photo.id and not isinstance(entry, (AdditionEntry, VolumeEntry, NoteEntry))
        for entry in story.events
    ):
        return {}
    for entry in since.changes:
        if not isinstance(entry, AdditionEntry) or entry.stock not in wanted:
            return {}
        wanted[entry.stock] -= entry.ml
    return {} if min(wanted.values(), default=0.0) < 0 else {k: ml for k, ml in wanted.items() if ml > 0}
