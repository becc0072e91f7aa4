"""How sure the map is: chances of reaching the least film when aim, depth, speed, flow and droplets vary."""

from bayreach.doubt._chance import PassVariants, Variants, WandState
from bayreach.doubt._doubt import Doubt, SidesAsked, doubt_of
from bayreach.doubt._factors import FACTORS, DoubtError, normal_draws, twin_draws, uniform_draws
from bayreach.doubt._folder import doubt_at, doubt_folder, left_out, stored_site
from bayreach.doubt._moved import Passable, moved
from bayreach.doubt._sprayed import POSES, Asked, asked_of, pull_words, site_variants
from bayreach.doubt._sure import SurePlan, first_margin, sure_plan
from bayreach.job import Tolerances

__all__ = [
    "FACTORS",
    "POSES",
    "Asked",
    "Doubt",
    "DoubtError",
    "PassVariants",
    "Passable",
    "SidesAsked",
    "SurePlan",
    "Tolerances",
    "Variants",
    "WandState",
    "asked_of",
    "doubt_at",
    "doubt_folder",
    "doubt_of",
    "first_margin",
    "left_out",
    "moved",
    "normal_draws",
    "pull_words",
    "site_variants",
    "stored_site",
    "sure_plan",
    "twin_draws",
    "uniform_draws",
]
