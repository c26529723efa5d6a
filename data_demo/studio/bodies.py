"""The seven bag shapes, boxy to slouchy: each takes a Bag and a Pose and returns Parts."""

from .domed_bags import barrel, bowler
from .flap_bags import crossbody, satchel
from .open_bags import bucket, hobo, tote

SHAPES = {"tote": tote, "satchel": satchel, "bowler": bowler, "bucket": bucket, "hobo": hobo,
          "crossbody": crossbody, "barrel": barrel}
