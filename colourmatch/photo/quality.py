"""The registry of quality flags: one code, one severity, one sentence that says what is wrong and what to do.

It knows words only; where a flag is raised is decided beside the pixels.
To add a flag: add it to FLAGS, raise it with `flag(code)`, give it a test photo and an answer in guide/answers.md.
"""

from __future__ import annotations

from colourmatch.measurement import Flag as Flag

FLAGS: dict[str, tuple[str, str]] = {
    # the file
    "unreadable": ("refuse", "This is not a readable photo ({why}). Send the original JPEG, HEIC, PNG or TIFF file again."),
    "profile-unknown": ("warn", "The photo's colour profile could not be read, it was taken as sRGB: the colours may be 2 to 4 units off. Send the original file of the camera."),
    # the card
    "no-card": ("refuse", "No printed card was found. Lay the whole card flat under the glasses, keep hands and cloths off its corner squares, and photograph it from straight above."),
    "card-small": ("refuse", "The card fills too little of the photo ({px_per_mm:.1f} pixels per millimetre). Go closer, until the card fills most of the frame."),
    "card-bent": ("warn", "The card does not lie flat (its squares are {mm:.1f} mm off). Press it flat on the table and photograph again if the result surprises you."),
    "card-crumpled": ("refuse", "The squares found do not fit one flat card (they are {mm:.1f} mm off). Lay the card flat, remove any second card, and photograph again."),
    "two-cards": ("refuse", "Two cards are in the photo. Leave only one in view and photograph again."),
    "spot-not-in-view": ("refuse", "The {spot} spot is not in view. Photograph the whole card, all three rings included."),
    "blurred": ("refuse", "The photo is blurred. Hold the phone still or lean it on something, tap the card to focus, and photograph again."),
    "soft": ("warn", "The photo is a little out of focus. The colours can be read; how clear the liquid is cannot be judged well."),
    "clock-ahead": ("warn", "The photo says that it was taken on {when}, which is still to come. Set the clock of the phone."),
    "greys-tinted": ("warn", "The card's grey squares are not grey ({percent:.0f} % between red, green and blue): the printer mixed them from coloured inks. Print the card with black ink for grey; until then the squares tell less of the phone's tones."),
    # the light
    "clipped": ("refuse", "The photo is over-exposed: the paper is pure white. Tap the paper to make it darker, or move out of direct sun, and photograph again."),
    "too-dark": ("refuse", "The photo is too dark. Bring more light, or tap the glasses to make it brighter, and photograph again."),
    "uneven-light": ("warn", "The light is uneven around the {spot} ({percent:.0f} % off a smooth light). Look for a shadow or a reflection, and move the card or yourself for the next photo."),
    "mixed-light": ("warn", "Two kinds of light fall on the card: its colour changes by {percent:.0f} % from side to side. Switch one lamp off or draw the curtain, and photograph again."),
    "striped-paper": ("warn", "Fine stripes lie over the paper ({percent:.0f} % of its light), as on a screen or under a flickering lamp. Use the card printed on matt paper, never shown on a screen; switch dimmed lamps off, and photograph again."),
    "striped-card": ("refuse", "Coloured stripes hide the card's paper, as on a screen. Use the card printed on matt paper, never shown on a screen, and photograph again."),
    "tilted": ("warn", "The phone was tilted by about {degrees:.0f} degrees. Hold it straight above the card: a slanted look passes through more liquid."),
    # the glasses
    "no-blank": ("warn", "No glass of water on the blank spot: the colours are given against the paper. A third equal glass with water makes them more certain."),
    "blank-not-clear": ("warn", "The blank does not look like clear water. Rinse the glass, pour fresh water and photograph again; until then the paper is used instead."),
    "no-reference": ("warn", "No glass on the reference spot: the batch is measured alone, this photo by itself compares nothing. Set the reference in its ring and photograph again if you want to compare."),
    "no-batch": ("warn", "No glass on the batch spot: the reference is measured alone, this photo by itself compares nothing. Set the batch in its ring and photograph again if you want to compare."),
    "empty": ("refuse", "No glass was found on the reference spot or on the batch spot. Set both glasses inside their rings and photograph again."),
    "glass-off-centre": ("warn", "The {spot} glass stands off its ring's middle, part of the reading window lies outside it. Centre it and photograph again if you can."),
    "glass-outside": ("refuse", "The {spot} glass stands outside its ring. Set it in the middle of the ring and photograph again."),
    "glare": ("warn", "Reflections cover {percent:.0f} % of the {spot} window; they were left out. Move the lamp or the card a little if you can."),
    "glare-over-window": ("refuse", "A reflection, or something else, covers most of the {spot} window. Move it, the lamp or the card, and photograph again."),
    "haze": ("warn", "Filter the {spot}, then photograph again. It is hazy (clarity {clarity:.2f}, {low:.2f} to {high:.2f}, of clear water), and haze makes colour meaningless."),
    "channel-empty": ("warn", "The {spot} is too strong for the camera: its {channel} channel is nearly empty, so this colour is only a rough guess. Measure reference and batch both at 1+{parts} with water, counted from what stands in the glasses now."),
    "channel-full": ("warn", "The {spot} is too bright for the camera in its {channel} channel. Darken the photo a little and photograph again."),
    # photos without the printed card
    "light-slopes": ("warn", "The light changes across the white rectangle: carried on, it would be {percent:.0f} % off at the {spot}, and the interval says so. Draw white nearer to the liquids, or move the lamp and photograph again."),
    "no-card-mode": ("warn", "Measured from the rectangles you gave, without the printed card: how evenly the light falls, what the vessels reflect and how much liquid the light passes (a wider vessel looks darker) are not checked, so the interval is wider."),
}  # fmt: skip
#: What "glare" says of a rectangle that a person drew: it may hold more than the liquid.
UNLIKE_THE_REST = "{percent:.0f} % of the {spot} rectangle is unlike the rest; it was left out. It is a reflection, or the rectangle reaches past the liquid: draw it smaller."  # fmt: skip


def flag(code: str, **details: object) -> Flag:
    """A flag of the registry with its details filled in; KeyError for an unknown code (a programming mistake)."""
    severity, text = FLAGS[code]
    return Flag(code, severity, text.format(**details))
