"""Which option does what a message asks for: said on the command line alone.

Rooms below name what to do in plain words, which the page, the API and what is printed show as they
are. Here stands, message by message, behind which of its words a terminal is told the option.
"""

from __future__ import annotations

__all__ = ["OPTION_WORDS", "with_options"]

_KEEP = (("mark it to be kept", "--keep X,Y"),)
_JOB = "tracer trace PHOTO... --job NAME"

#: slug of a message -> words of it, and what to type for them
OPTION_WORDS: dict[str, tuple[tuple[str, str], ...]] = {
    "bay-empty": (("put tools into it", "--put"),),
    "bay-job-exists": (
        ("Name the bay otherwise", "--bay NAME=WxH"),
        ("write over the job", "--replace"),
    ),
    "bay-named-twice": (("Name each bay differently", "--bay NAME=WxH"),),
    "bays-no-room": (("a smaller gap", "--gap"), ("the panels of what fits", "--partly")),
    "bays-too-few": (
        ("Name two bays or more", "--bay NAME=WxH"),
        ("arranged as a panel", "tracer arrange"),
    ),
    "budget-none": (("Trace its photos again", "tracer trace --job NAME"),),
    "camera-height-unsure": (("type it", "--camera-height"),),
    "card-size-not-typed": (("type it", "--card-size"),),
    "cards-disagree": (("type the size of each card", "--card-size"),),
    "cluster-needs-extra": (("name no cluster", "leave out --scheduler"),),
    "coupon-nothing-read": (
        ("the row of ten strips", "--strips"),
        ("the number of the hole", "--hole"),
        ("on the face that lay up", "--strips"),
    ),
    "trial-board-missing": (("type both sides", "--card-size"),),
    "trial-missing": (("name the sizes", "--coin, --block, --block-height"),),
    "coupon-strips-wrong": (("type the hole", "--hole"),),
    "cut-exists": (("write over them", "--replace"),),
    "depth-not-said": (
        ("a depth for all", "--depth"),
        ("arrange a panel first", "tracer arrange"),
        ("cut right through", "--through"),
    ),
    "desk-not-on-network": (("Start it for the network", "tracer desk --lan"),),
    "desk-port-taken": (("Name no port", "leave out --port"),),
    "edit-conflict": (("comes back by its number", "tracer swap JOB --back-to"),),
    "face-in-layers": (
        ("what thicknesses you have", "--layers"),
        ("cut right through", "--through"),
    ),
    "face-not-in-layers": (("cut right through", "--through"),),
    "file-exists": (("write over it", "--replace"),),
    "file-unwritable": (("Choose another folder", "--out"),),
    "flat-on-sheet": (("leave it out", "--drop X,Y"),),
    "looks-scanned": (("Trace it as a scan", "--scan"),),
    "scan-is-photo": (("Trace it as a photo", "leave out --scan"),),
    "scan-resolution-differs": (("type it", "--card-size"),),
    "scan-cards-disagree": (("type its size", "--card-size"),),
    "scan-too-coarse": (("trace it as a photo", "leave out --scan"),),
    "scan-alone": (("as a lay of its own", "--add"),),
    "further-photo": (("add the photo to the lay", "--more"),),
    "gaps-left-out": (("on a new template", "tracer gaps"), ("forget them", "--forget")),
    "height-since-trace": (("Trace the job again", "tracer trace --job NAME"),),
    "holes-none": (("the box that is looked in", "--within"),),
    "job-damaged": (("have it learned", "tracer inspect JOB PHOTO --learn"),),
    "job-exists": (
        ("another name", "--job"),
        ("as a further lay", "--add"),
        ("write over it", "--replace"),
    ),
    "job-inside-job": (("its name with a path", "--job"),),
    "job-missing": (("Trace the photos of a lay", _JOB), ("Trace its first photos", _JOB)),
    "job-name-unusable": (("a shorter name", "--job"),),
    "lay-changed": (("as a lay of their own", "--add"),),
    "lay-in-job": (("further photos of that lay", "--more"), ("a job of their own", "--job")),
    "lay-too-large": (("Allow more time", "--at-most"), ("Allow more memory", "--memory")),
    "lay-unknown": (("by its number", "--lay"),),
    "layers-impossible": (
        ("the thickness of the whole stack", "--thickness"),
        ("what thicknesses you have", "--layers"),
        ("another thickness of the stack", "--thickness"),
    ),
    "layout-choice-missing": (("search for longer", "--effort long"),),
    "layout-needs-bay": (("Type its size", "--bay"),),
    "layout-other-style": (("a smaller gap", "--gap"),),
    "layout-search-ended": (("Lay the tools out afresh", "--place fresh"),),
    "list-encoding": (("say what it is in", "--encoding"),),
    "list-encoding-unsure": (("Say which when tracing", "--encoding"),),
    "loosest-below-fit": (("a closer fit", "--fit"), ("a larger limit", "--loosest")),
    "loosest-below-machine": (("Choose a limit", "--loosest"),),
    "machine-file-name": (
        ("such as our-router", "tracer machines our-router --from router"),
        ("Save it as", "--save"),
    ),
    "material-forbidden": (("name another foam", "--material"),),
    "model-damaged": (("the classical silhouettes", "--silhouettes classical"),),
    "no-tools": (("mark them to be kept", "--keep X,Y"),),
    "panel-missing": (("Arrange it first", "tracer arrange"),),
    "panel-no-room": (("mm all fit", "--gap"), ("a closer fit class all fit", "--fit")),
    "panel-not-seen": (("print corner marks", "tracer inspect JOB --marks"),),
    "photo-in-job": (("add nothing", "leave out --add"),),
    "photo-no-focal-length": (("type it", "--camera-height"),),
    "outline-doubtful": (("add a photo of the lay that looks at this side from above", "--more"),),
    "photo-twice": (("trace the job again as it is", "leave out --more"),),
    "plan-drawing-missing": (("name the file", "--drawing"),),
    "printer-settings-damaged": (("type the measured bars again", "--printed"),),
    "rows-on-one-tool": (("part them", "--split"),),
    "small-thing-left-out": _KEEP,
    "something-left-out": _KEEP,
    "stain-left-out": _KEEP,
    "swap-direction-open": (("turn it by 180 degrees", "--turn 180"),),
    "swap-looks-mirrored": (("have it mirrored", "--mirror"),),
    "swap-near-neighbour": (("Shift or turn it", "--shift, --turn"),),
    "swap-needs-room": (("lay the panel out afresh", "tracer arrange JOB --place fresh"),),
    "swap-no-place": (("the place of its middle", "--at X,Y"),),
    "swap-rule-impossible": (("another rule for its place", "--place"),),
    "swap-which-tool": (("point at it", "--point X,Y"),),
    "tool-list-unreadable": (("name its encoding", "--encoding"),),
}


def with_options(slug: str, text: str) -> str:
    """A message with the options that do what it asks for, each behind its words.

    Examples
    --------
    >>> with_options("flat-on-sheet", "If it is no tool, leave it out; else type its height.")
    'If it is no tool, leave it out (--drop X,Y); else type its height.'
    >>> with_options("no-card", "Lay cards round the tools.")
    'Lay cards round the tools.'
    """
    for words, option in OPTION_WORDS.get(slug, ()):
        text = text.replace(words, f"{words} ({option})", 1)
    return text
