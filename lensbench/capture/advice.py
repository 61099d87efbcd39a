"""What the trade knows about photographing a chart. Common practice, no source, unless one is named."""

from typing import Final

__all__ = [
    "CAMERA",
    "CARE",
    "EXPOSURE",
    "FOCUS",
    "HANGING",
    "LIGHT",
    "QUICK_READING",
    "QUICK_SIDES",
    "TRIPOD",
    "UPSIDE_DOWN",
]

TRIPOD: Final = (
    "Tripod, legs spread wide, centre column down; hang no bag that can swing.",
    "Stabiliser off on the tripod, in the lens and in the body; it can wander there.",
    "Self-timer (2 s, better 10 s) or a remote release; hands off, and stand still.",
    (
        "Electronic first curtain (with a mirror: locked up), above all between 1/125 s and 1/4 s. No fully electronic "
        "shutter under lamps that flicker, unless the time is 1/50 s or longer."
    ),
)
CAMERA: Final = (
    "Raw, base ISO, the same ISO throughout; mode M; corrections and sharpening do not matter in raw.",
    "Paper white at half to three quarters of full scale, nowhere clipped.",
    "Hood on, filter off, front element clean (blower first).",
)
LIGHT: Final = (
    "Matte paper, light from two sides at 45 degrees, lamps well apart, room light off.",
    "Even within 10 %: photograph blank paper at the centre and in the corners, or read it off lensbench check.",
    "No shiny spot: nothing bright stands opposite the chart.",
)
HANGING: Final = (
    "Fix the paper flat on a rigid board. On a wall: tape that peels off clean, tried on a hidden spot first.",
    (
        "Square by a mirror: hold a small one flat on the chart's centre, and move the camera until the lens sees "
        "itself in the middle of the picture."
    ),
    "As a control, take it down, hang it again and repeat one setting: what changes is not the lens.",
)
FOCUS: Final = (
    (
        "Focus at the stop you shoot at, magnified on the centre of the chart: on stopping down, spherical aberration "
        "moves the plane of best focus, so the focus found wide open is not the best one at f/4."
    ),
    "Throw the focus off and find it anew before every shot: only then do repeats tell the lens from the focusing.",
)
CARE: Final = (
    "A camera on a tripod topples easily: keep cables, straps, children and pets away, and do not leave it alone.",
    (
        "Lamps grow hot, and run on mains: keep paper and curtains off, cables out of the way, hands dry; let them "
        "cool before you move them."
    ),
    "Up a ladder never alone, never on a chair; do not lean over a stairwell.",
    "Elsewhere than at home: ask before you hang anything or block a corridor, and keep to the rules of the place.",
)
EXPOSURE: Final = (
    "Times as in the table: the same light at every stop. Paper too dark or bright: shift all alike."
)
UPSIDE_DOWN: Final = (
    "Turned upside down the camera hangs by the head's clamp only: lock every knob, and keep its strap round your "
    "hand while you turn it."
)
QUICK_SIDES: Final = {
    "sheet": (
        "Softness that stays on the same side of the picture when the sheet is turned comes from the lens or the "
        "mount; one that changes sides comes from the sheet."
    ),
    "wall": (
        "Softness that stays on the same side of the picture when the camera is turned comes from the lens or the "
        "mount; one that changes sides comes from the wall, its pages or its light."
    ),
}
QUICK_READING: Final = (
    "Still softer on one side at f/8: send it back, or ask for another copy. Better at f/8: ordinary for a wide stop.",
    "A dozen shots do not find the best stop: they tell a sound copy from a bad one. Repeat before you complain.",
)
