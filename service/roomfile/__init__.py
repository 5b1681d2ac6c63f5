"""room.toml <-> the model.

`read_room_file` finds every problem or returns what the file says; `plan_changes` tells what applying it would change;
`apply_room_file` does that in one transaction; `export_room_file` writes what is in force as a file again.
"""

from service.roomfile.applying import apply_room_file
from service.roomfile.changes import Plan, PlannedChange
from service.roomfile.export import export_room_file
from service.roomfile.library import library
from service.roomfile.plan import plan_changes
from service.roomfile.reading import parse_room_file, read_profile_file, read_room_file
from service.roomfile.report import tell_plan, tell_problems, tell_sound
from service.roomfile.spec import ProfileSpec, RoomFile

__all__ = [
    "Plan",
    "PlannedChange",
    "ProfileSpec",
    "RoomFile",
    "apply_room_file",
    "export_room_file",
    "library",
    "parse_room_file",
    "plan_changes",
    "read_profile_file",
    "read_room_file",
    "tell_plan",
    "tell_problems",
    "tell_sound",
]
