"""From evidence to angle, from gap and angle to runout with its uncertainty and verdict."""

from rimgauge.signal.bending import edge_place, lens_share
from rimgauge.signal.budget import judge
from rimgauge.signal.creep import without_creep
from rimgauge.signal.dragged import check_at_rest
from rimgauge.signal.evidence import Layout, look_period_deg
from rimgauge.signal.findings import axle_first, findings
from rimgauge.signal.in_focus import check_focus
from rimgauge.signal.laid_out import laid_out, mark_to_pointer_deg, where_read
from rimgauge.signal.live_place import LivePlace, Path
from rimgauge.signal.read_aside import without_aside
from rimgauge.signal.runout import (
    REPEATED_PX,
    REPEATED_PX_BEFORE,
    RunoutSoFar,
    runout_so_far,
    share_seen,
    side_runout,
)
from rimgauge.signal.standing import camera_advice, corrected_notes, far_lip
from rimgauge.signal.tagged import Tagged, tag_likelihood
from rimgauge.signal.turning import find_turning
