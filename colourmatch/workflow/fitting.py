"""From a lot's story in the book to the fit of its photos: which of them count, what each tells, what is known before.
It joins the book's entries, liquid/learn.py and photo/combine.py; it plans nothing and writes nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from colourmatch.book.entries import LotStory, PhotoEntry, VolumeEntry, number_photos
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import leave_out_example
from colourmatch.book.shelf_records import StockEntry
from colourmatch.dosing.doubt import find_doubt
from colourmatch.dosing.problem import no_nearer
from colourmatch.instrument.kept_fits import camera_key, phone_priors
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.learn import LotFit, fit_lot
from colourmatch.liquid.lot_model import StockPrior, expect_stock
from colourmatch.liquid.mishaps import Bottle
from colourmatch.liquid.observations import Gap, Shot
from colourmatch.liquid.stock import Stock
from colourmatch.measurement import LIQUIDS, Measurement
from colourmatch.photo.combine import Combined, combine_photos
from colourmatch.workflow.doubts import list_mishaps
from colourmatch.workflow.photo_colours import changes_colour, final_photos, photo_view
from colourmatch.workflow.references import target_covariance

#: A stock's learnt strength never counts as better known than this.
LEAST_LEARNT_SD = 0.04


def usable_photos(story: LotStory) -> list[PhotoEntry]:
    """Photos that count for the match, in order."""
    return [photo for photo in story.matched if photo.measurement.spots.get("batch")]


#: What leaves a reading open to errors that its interval may not cover: no stop rests on such a photo alone. Of drawn photos
#: of the colour card with a reflection the interval holds 86 %, in uneven light 95 %, as of all others.
_DOUBTFUL = ("striped-paper", "glare", "channel-full", "channel-empty")
#: So often is a better photo of one state asked for; then the interval has to do.
_ASKED = 2


def doubt_of_state(group: list[PhotoEntry]) -> str | None:
    """What to do before a stop may rest on these photos of one state: the last one's flag, when all have such a flag."""
    flags = [[f for f in photo.measurement.quality if f.code in _DOUBTFUL] for photo in group]
    if not flags or len(flags) > _ASKED or not all(flags):
        return None
    return flags[-1][0].text


def steps_stalled(story: LotStory, photos: list[PhotoEntry]) -> bool:
    """Whether the last steps, since untinted batch came in, brought the photos no nearer (`no_nearer`)."""
    poured = [e.happened_at for e in story.effective if isinstance(e, VolumeEntry) and e.kind == "untinted"]
    photos = [photo for photo in photos if not poured or photo.happened_at > poured[-1]]
    if not photos:
        return False
    view = photo_view(story.lot, photos[-1].measurement)
    seen: dict[int, list[float]] = {}
    for state, photo in zip(_states(story, photos), photos, strict=True):
        figure = photo.measurement.delta_e_2000
        if figure and photo_view(story.lot, photo.measurement) == view:
            seen.setdefault(state, []).append(float(figure.value))
    return no_nearer([float(np.mean(seen[state])) for state in sorted(seen)], len(photos))


def photos_of_state(story: LotStory) -> list[PhotoEntry]:
    """Usable photos taken since the batch last changed. A sample that was taken changes no colour."""
    return [photo for photo in final_photos(story) if photo.measurement.spots.get("batch")]


def combine_state(story: LotStory, group: list[PhotoEntry]) -> Combined | None:
    """What photos of one state give together, called by their numbers in the lot; those of the last one's dilution."""
    numbers = number_photos(story)
    view = photo_view(story.lot, group[-1].measurement) if group else None
    alike = [photo for photo in group if photo_view(story.lot, photo.measurement) == view]
    return combine_photos([p.measurement for p in alike], [f"Photo {numbers[p.id]}" for p in alike])


def _states(story: LotStory, photos: list[PhotoEntry]) -> list[int]:
    """For each photo how often the batch had changed before it; a correction counts where its entry stood."""
    changes, before = 0, {}
    for entry in story.effective:
        before[entry.id] = changes
        changes += changes_colour(entry)
    return [before[photo.id] for photo in photos]


def _scatter_by_state(story: LotStory, photos: list[PhotoEntry]) -> list[np.ndarray]:
    """For each photo how photos of its state scatter beyond their own noise, covariance in Lab (3, 3)."""
    views = [photo_view(story.lot, photo.measurement) for photo in photos]
    states = list(zip(_states(story, photos), views, strict=True))
    scatter: dict[Any, np.ndarray] = {}
    for state in set(states):
        group = [photo for photo, own in zip(photos, states, strict=True) if own == state]
        together = combine_state(story, group) if len(group) > 1 else None
        scatter[state] = np.zeros((3, 3)) if together is None else together.scatter_lab
    return [scatter[state] for state in states]


def why_not_yet(story: LotStory, newest: Measurement | None = None) -> str | None:
    """What is missing before a plan; newest: the measurement of a photo that comes in just now."""
    head, usable = story.lot, usable_photos(story)
    if newest is not None and not newest.spots.get("batch"):
        return "No glass of the batch was found on the last photo. Set it on the batch spot and photograph again."
    if not usable:
        if head.target_lab is not None:
            return "Photograph the batch beside the card, with water in an equal glass. It needs no reference."
        return "Photograph reference and batch in equal glasses beside the card, with water in the third."
    if not any(p.measurement.spots.get("reference") for p in usable) and head.target_lab is None:
        return "No reference was seen yet. Photograph the reference beside the batch once."
    return next((flag.text for flag in usable[-1].measurement.quality if flag.code == "haze"), None)


def fit_story(book: LotBook, story: LotStory, photos: list[PhotoEntry]) -> tuple[tuple[Stock, ...], LotFit]:
    """The fit of a lot to its photos, with its stocks as their labels say."""
    # a stock that came in later is part of the colour too
    names = dict.fromkeys([*story.lot.stocks, *(a.stock for a in story.additions)])
    known = {entry.name: entry for entry in story.stock_entries}
    entries = [known.get(name) or book.stocks.get(name) for name in names]
    stocks = tuple(entry.as_stock(learnt=False, lot_hand=story.lot.hand) for entry in entries)
    priors = [make_prior(entry) for entry in entries]
    target = None if story.lot.target_lab is None else target_covariance(book, story.lot)
    shots = [_shot(story, photo, stocks, target) for photo in photos]
    phones = phone_priors(book, [photo.measurement for photo in photos])
    dilution = photo_view(story.lot, photos[-1].measurement).dilution
    mishaps = list_mishaps(story, photos, stocks, priors, _other_bottles(book, list(names)), dilution)
    view = photo_view(story.lot, None)
    fit = fit_lot(shots, priors, view, phones=phones, mishaps=mishaps)
    scatter, doubt = _scatter_by_state(story, photos), find_doubt(fit)
    if not np.any(scatter) or (doubt is not None and doubt.tells_photos_apart):
        return stocks, fit
    # photos of one state that disagree, and nobody's slip tells why, are each less sure: all advice then knows it
    shots = [
        replace(shot, batch_covariance=shot.batch_covariance + more) for shot, more in zip(shots, scatter, strict=True)
    ]
    return stocks, fit_lot(shots, priors, view, phones=phones, mishaps=mishaps)


def _other_bottles(book: LotBook, own: list[str]) -> list[Bottle]:
    """The bottles that a dose may have come from instead: one of each colourant on the shelf that the lot has not."""
    entries = leave_out_example(book.stocks.all(), own)
    known = {entry.colourant for entry in entries if entry.name in own}
    found = {e.colourant: e for e in reversed(entries) if e.name not in own and e.colourant not in known}
    return [Bottle(make_prior(e), e.as_stock(learnt=False).mg_per_ml) for e in found.values()]


def make_prior(entry: StockEntry) -> StockPrior:
    """What is known of a stock before a lot's photos: its label, or what earlier lots taught."""
    colourant = find_colourant(entry.colourant)
    guessed = colourant.to_be_learnt and entry.learnt_from_lot_id is None
    sd = float(np.hypot(entry.strength_rel_sd, 0.0 if entry.learnt_from_lot_id else entry.drop_rel_sd))
    return expect_stock(
        entry.name,
        entry.colourant,
        log_factor=float(np.log(entry.strength_factor)),
        log_factor_sd=max(sd, LEAST_LEARNT_SD) * (3 if guessed else 1),
        learnt_shift=entry.shift,
    )


def _shot(story: LotStory, photo: PhotoEntry, stocks: tuple[Stock, ...], target: np.ndarray | None) -> Shot:
    state, measurement, chosen = story.state(photo), photo.measurement, story.lot.target_lab
    batch, reference = measurement.spots["batch"], measurement.spots.get("reference")
    assert batch is not None
    ref_lab, ref_cov = None if chosen is None else np.array(chosen), target
    if reference is not None:
        read = measurement.uncorrected("reference")
        ref_lab, ref_cov = read.lab, read.covariance
    # beside a colour that was chosen stands the batch's own estimate, not what one phone makes of it
    alone = reference is None and batch.plain is not None and measurement.calibration is None
    seen = batch if alone else measurement.uncorrected("batch")
    path = photo_view(story.lot, measurement).path_cm / photo_view(story.lot, None).path_cm
    return Shot(
        batch_lab=seen.lab,
        batch_covariance=seen.covariance,
        reference_lab=ref_lab,
        reference_covariance=ref_cov,
        mg_per_l=tuple(state.concentration_mg_per_l(s.name) for s in stocks),
        thinning=state.base_share,
        camera=camera_key(measurement),
        path=path,
        # a colour that was chosen is in the lot's own view
        reference_path=1.0 if reference is None else path,
        gap=_gap(measurement) if reference is not None else None,
    )


def _gap(measurement: Measurement) -> Gap | None:
    """The difference as a photo's estimate has it; None in older records, where the colours are as they were read."""
    pair = measurement.as_read.uncertainty if measurement.as_read else measurement.uncertainty
    spots = [measurement.spots.get(name) for name in LIQUIDS]
    if pair is None or any(spot is None or spot.plain is None for spot in spots):
        return None
    reference, batch = ((spot.as_read or spot).lab for spot in spots if spot is not None)
    apart = measurement.metamerism
    warm = (apart.change, apart.change_covariance) if apart else (None, None)
    return Gap(batch - reference, pair.photo + pair.scene + pair.what_is_lost, pair.phone, *warm)
