"""Files: the only home of json and toml, whole or not written at all, every field checked on reading."""

from .build import read_build
from .passes import pass_fields, read_pass, write_pass
from .plans import plan_fields, read_plan, write_plan
from .views import read_view, write_view

__all__ = [
    "pass_fields",
    "plan_fields",
    "read_build",
    "read_pass",
    "read_plan",
    "read_view",
    "write_pass",
    "write_plan",
    "write_view",
]
