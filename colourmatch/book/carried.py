"""What a trial carries from its batch and back: which entries came along, and whether it was poured back."""

from __future__ import annotations

from colourmatch.book.entries import LotStory, VolumeEntry

#: Why the first additions of a trial stand there: they were in the batch.
CARRIED = "was in the batch when the trial was taken"
#: Why additions of a batch stand there that came with a trial: they were poured into the trial.
CAME_BACK = "came back with the trial"


def came_along(trial: LotStory) -> set[int]:
    """The entries that came along from the batch, as they were put right since."""
    came: set[int] = set()
    for entry in trial.events:  # a correction comes after what it corrects
        if entry.replaces_id in came or (entry.replaces_id is None and entry.reason == CARRIED):
            came.add(entry.id)
    return came


def find_poured_back(parent: LotStory, trial_id: int) -> VolumeEntry | None:
    """The entry by which a trial went back into its batch, None while it did not."""
    for entry in parent.effective:
        if isinstance(entry, VolumeEntry) and entry.kind == "poured-back" and entry.trial_lot_id == trial_id:
            return entry
    return None
