"""What every document must say beside its numbers: one table of sentences, so that all say the same."""

ALWAYS = {
    "estimate": (
        "This is an estimate for planning. It approves nothing; the data of the design approval "
        "holder and of the liquid's maker come first."
    ),
    "not modelled": (
        "Not modelled: air currents, rebound and splash of drops, evaporation while spraying, dirt "
        "and old film, heat and cold, and whatever the mesh does not show (fasteners, sealant, wires,"
        " tolerances)."
    ),
    "surface": (
        "The liquid protects only as an unbroken film on a clean, dry surface; prepare and inspect first."
    ),
    "limits": (
        "Film limits in specifications are set on flat test panels; they are no target for the inside"
        " of a structure."
    ),
    "drains": (
        "Film must not block a drain: probe every drain open before and after, and put no plug in one."
    ),
    "air": (
        "Mist and vapour in a closed space can burn and harm: vapour or mist above 10 % of its lower "
        "flammable limit makes a hazardous atmosphere. Measure, and extract from the lowest point."
    ),
    "keep-outs": (
        "Keep the liquid off oxygen equipment, brakes and clutches, contacts, bearings and cables, "
        "windows and seals; list them as keep-outs, even when there are none."
    ),
    "check": "Film that no eye or borescope can see is not verified; a figure is no inspection.",
}
"""Cautions of every output."""

HOLES = {
    "candidate": (
        "A proposed hole is a candidate, not approved data: drill nothing without approved data for "
        "that hole."
    ),
    "rules": (
        "Edge distance and pitch follow riveting rules: necessary, not sufficient, since an empty "
        "hole raises stress."
    ),
    "behind": "See the back of the place before drilling, protect the bare edge, and close the hole again.",
}
"""Cautions of an output that proposes holes."""

SETTLED = {
    "settled": (
        "Settled film is what fog may leave on upward sides; it is shown apart, since it is less "
        "certain than direct film."
    ),
}
"""Cautions of an output that counts settled film."""

FLOW = {
    "balance": "Liquid adds mass: have the balance of control surfaces checked to their maker's data.",
}
"""Cautions of an output that lays film."""


def cautions(*, film: bool = True, settled: bool = False, holes: bool = False) -> tuple[str, ...]:
    """Return the sentences an output must carry, by what is in it.

    >>> len(cautions(holes=True)) - len(cautions())
    3
    """
    chosen = dict(ALWAYS)
    chosen |= HOLES if holes else {}
    chosen |= SETTLED if settled else {}
    chosen |= FLOW if film else {}
    return tuple(chosen.values())
