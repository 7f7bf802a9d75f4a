"""What was typed for a cut, held against the panel that decides it.

An arranged job is cut as its panel says. An option that says something else is refused, since the
files would not be what was asked for; one that says the same is fine.
"""

from __future__ import annotations

from tracer.errors import UsageError
from tracer.export.machine.checks import material_named, refuse_forbidden
from tracer.model.panel import Panel, PlyRole
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.pocket.fits import default_fit
from tracer.workflows.cutting.cut import CutOptions

__all__ = ["foam_as_typed", "refuse_other_options"]

#: lengths and shares are the same when they read the same
_SAME = 1e-6


def refuse_other_options(options: CutOptions, panel: Panel, plan: PanelPlan, job: str) -> None:
    """Stop where an option was typed that the panel decides otherwise.

    Raises
    ------
    UsageError
        ``panel-decides``, with the place where it can be said.
    """
    faces = [p.stock.thickness_mm for p in panel.plies if p.role is PlyRole.FACE]
    fit = (plan.fit or default_fit(panel.bay.kind)).value
    same = {
        "--thickness": any(abs(options.thickness_mm - mm) < _SAME for mm in (*faces, sum(faces))),
        "--depth": False,
        "--fit": options.fit is not None and options.fit.value == fit,
        "--fit-mm": False,
        "--fit-probability": abs(options.fit_probability - plan.fit_probability) < _SAME,
        "--loosest": abs(options.loosest_mm - plan.loosest_mm) < _SAME,
        "--margin": False,
    }
    says = {
        "--thickness": f"a face of {' + '.join(f'{mm:g}' for mm in faces)} mm",
        "--depth": "a depth for every tool",
        "--fit": f"the fit {fit}",
        "--fit-mm": f"the fit {fit}",
        "--fit-probability": f"a fit probability of {plan.fit_probability:g}",
        "--loosest": f"a limit of {plan.loosest_mm:g} mm",
        "--margin": f"a size of {panel.size_mm[0]:.0f} x {panel.size_mm[1]:.0f} mm",
    }
    where = {
        "--thickness": "thickness_mm of the [[plies]] in panel.toml",
        "--depth": "depth_mm in tools.csv",
        "--fit": f"tracer arrange {job} --fit",
        "--fit-mm": f"tracer arrange {job} --fit, one of the four classes",
        "--fit-probability": f"tracer arrange {job} --fit-probability",
        "--loosest": f"tracer arrange {job} --loosest",
        "--margin": f"tracer arrange {job} --edge",
    }
    for option, agrees in same.items():
        if option in options.typed and not agrees:
            raise UsageError(
                "panel-decides",
                f"The job {job} is arranged and its panel has {says[option]}; {option} says"
                " something else.",
                f"Leave {option} out, or say it there: {where[option]}; then run tracer arrange"
                f" {job} again.",
            )


def foam_as_typed(options: CutOptions, panel: Panel, plan: PanelPlan) -> list[Check]:
    """Findings about the foam that was typed; heat is stopped where the foam is not known.

    A plan without sheets of its own stands for usual ones. That is good enough for a blade, but
    nobody has said what foam lies under the laser.

    Raises
    ------
    TracerError
        ``material-forbidden``.
    """
    typed = material_named(options.material)
    planned = list(
        dict.fromkeys(p.stock.material for p in panel.plies if p.role is not PlyRole.BACKING)
    )
    said = "--material" in options.typed or options.material != "unknown"
    if said or not plan.plies:
        refuse_forbidden(options.machine, typed)
    if not said or options.material in planned:
        return []
    if options.machine.heat:
        raise UsageError(
            "material-contradicts-panel",
            f"The panel's sheets are {' and '.join(planned)}, but what was typed is"
            f" {options.material}.",
            "Find out which it is before any heat touches it; the panel's foam is the material of"
            " the [[plies]] in panel.toml.",
        )
    return [
        Check(
            "material-contradicts-panel",
            Severity.WARN,
            f"The panel's sheets are {' and '.join(planned)}, but what was typed is"
            f" {options.material}; the job sheet follows the panel.",
            "Write the foam as material of the [[plies]] in panel.toml and arrange again.",
            subject_id=options.material,
        )
    ]
