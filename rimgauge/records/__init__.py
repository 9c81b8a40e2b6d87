"""The frozen records that pass between rooms.

Rooms never import each other; these values are the only thing they share.
Lengths are in mm, forces in N, angles in degrees, times in s; every name with a unit carries it.

Sign conventions (docs/glossary.md owns them): lateral + is toward the wheel's right, the side with the
drive as the rider sees it; radial + is outward; angle 0 is the mark at the valve, and angles and spoke
numbers rise in the order in which points pass the pointer as the wheel rolls forward; turns + tighten.
"""

from __future__ import annotations

from rimgauge.records.base import (
    BoolArray,
    Box,
    Direction,
    Flange,
    FloatArray,
    IntArray,
    Outcome,
    SeenFrom,
    Side,
    middle_px,
    record,
    round_factor,
    shortest_deg,
)
from rimgauge.records.camera import (
    MOST_TAGS,
    TAG_DICTIONARY,
    TAG_MODULES,
    USUAL_DISTANCE_MM,
    USUAL_FOCAL,
    CameraPlace,
    Edge,
    EdgeTrack,
    GapTrack,
    Lens,
    Moment,
    RimLooks,
    Scale,
    Slide,
    TagSightings,
    View,
    nearest_spoke,
    scale_trouble,
)
from rimgauge.records.plan import (
    AT_ONCE_EIGHTHS,
    EIGHTH,
    Bound,
    Correction,
    Plan,
    Readings,
    Round,
    WheelState,
    clockwise,
    turn_words,
    turns_in_all,
    turns_words,
)
from rimgauge.records.signal import (
    Basis,
    BudgetLine,
    Dish,
    FrameValues,
    Measured,
    Runout,
    SideRunout,
    Source,
    Turning,
    Verdict,
    Zone,
    as_it_stands,
    overall,
    worse_of,
)
from rimgauge.records.wheel import (
    FEWEST_SPOKES,
    MOST_SPOKES,
    NEWTONS_PER_KGF,
    USUAL_RADIUS_MM,
    Hub,
    Influence,
    Rim,
    SpokeBuild,
    Tension,
    Tolerance,
    Wheel,
    WheelInView,
)
