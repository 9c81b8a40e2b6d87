"""Files: the only home of json and toml, whole or not written at all, every field checked on reading."""

from .build import read_build
from .dish_file import KeptDish, dish_fields, read_dish, write_dish
from .disk import check_writable, read_bytes, write_bytes
from .export import EVERYTHING, everything, write_export
from .folder import (
    Job,
    dishes,
    find_job,
    next_path,
    open_job,
    passes,
    plans,
    reading_files,
    results,
    view_path,
)
from .history import (
    History,
    corrections_between,
    history,
    latest,
    made_on,
    same_readings,
    since_corrections,
    straight_passes,
)
from .keep import (
    aim_picture_path,
    forget_view,
    frames_path,
    hold,
    keep_as,
    keep_dish,
    keep_pass,
    keep_plan,
    keep_view,
    kept_already,
    kept_picture,
    kept_scale_picture,
    picture_path,
    scale_picture_path,
    update_manifest,
    write_measured,
)
from .listing import Month, PastJob, by_month, past_jobs, without_copies
from .manifest import Manifest, Trouble, job_files, now, read_manifest, verify_job
from .names import PASS, is_page
from .pass_file import pass_fields, read_pass, tells_what_errs_alike, write_pass
from .plan_file import plan_fields, read_plan, write_plan
from .reader import headed
from .readings import read_readings
from .recorded import (
    changed_since_recorded,
    check_as_recorded,
    check_none_missing,
    check_view_as_recorded,
    check_view_not_missing,
    made_by_hand,
)
from .replacing import check_picture_replaceable, check_replaceable, signed_picture
from .result import Result, result_fields
from .start import create_job
from .tables import tables
from .view_file import lens_fields, read_lens, read_view, write_lens, write_view
