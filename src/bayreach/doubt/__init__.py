"""How sure the map is: chances of reaching the least film when aim, depth, speed, flow and droplets vary."""

from bayreach.doubt._chance import PassVariants
from bayreach.doubt._doubt import Doubt, SidesAsked, doubt_of
from bayreach.doubt._factors import DoubtError, Tolerances, normal_draws, uniform_draws
from bayreach.doubt._folder import doubt_at, doubt_folder, stored_site, tolerances_of
from bayreach.doubt._moved import moved
from bayreach.doubt._sprayed import Asked, asked_of, site_variants
from bayreach.doubt._sure import SurePlan, first_margin, sure_plan

__all__ = [
    "Asked",
    "Doubt",
    "DoubtError",
    "PassVariants",
    "SidesAsked",
    "SurePlan",
    "Tolerances",
    "asked_of",
    "doubt_at",
    "doubt_folder",
    "doubt_of",
    "first_margin",
    "moved",
    "normal_draws",
    "site_variants",
    "stored_site",
    "sure_plan",
    "tolerances_of",
    "uniform_draws",
]
