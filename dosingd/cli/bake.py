"""`dosingd bake`: what the weighings before and after the oven say about a batch of baked bicarbonate."""

from __future__ import annotations

from typing import Any

import click

from dosingd.chemistry import bake as room
from dosingd.cli.amounts import MASS, SHARE, assay_of, assay_options, bullets, command_lines, figure, pairs
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere
from dosingd.words import plain


@click.command(
    short_help="Bicarbonate to carbonate in the oven.",
    epilog='Example:  dosingd bake --before "250 g" --after "165 g" --assay "99 %" --moisture "1 %"',
)
@click.option("--before", type=MASS, required=True, metavar="M", help="The bicarbonate that went into the oven.")
@click.option(
    "--after",
    type=MASS,
    required=True,
    multiple=True,
    metavar="M",
    help="The powder that came out; again for each weighing after more time in the oven.",
)
@assay_options
@click.option("--moisture", type=SHARE, metavar="P", help="Water in what went in; --assay is then of the dry matter.")
@options_everywhere
def bake(
    before: float, after: tuple[float, ...], assay: float | None, purity: float | None, moisture: float | None
) -> Reply:
    """Say how far a batch of bicarbonate is baked, and how much alkalinity it holds.

    Baking drives off water and carbon dioxide, 36.9 % of the mass, and keeps the alkalinity. Weigh again after
    another half hour: constant mass is what proves that it is done.
    """
    said = assay_of(assay, purity)
    steady = room.constant_mass(after) if len(after) > 1 else None
    batch = room.bake(before, after[-1], 1.0 if said is None else said, moisture or 0.0, steady=steady is True)
    for weighing in after[:-1]:
        room.bake(before, weighing, batch.assay, batch.moisture)  # every weighing has to make sense
    heavier = len(after) > 1 and after[-1] > after[-2]
    return Reply(data_of(batch, steady), text_of(batch, steady, said, heavier))


def data_of(batch: room.Bake, steady: bool | None) -> dict[str, Any]:
    """The batch for a program."""
    return {
        "expected_after_g": batch.expected_after_g,
        "loss_fraction": batch.loss_fraction,
        "conversion": batch.conversion,
        "complete": batch.complete,
        "constant_mass": steady,
        "alkalinity_eq": None if batch.beyond_damp else batch.alkalinity_eq,
        "meq_per_g": batch.meq_per_g,
        "most_meq_per_g": batch.most_meq_per_g,
        "bicarbonate_left_g": None if batch.impossible else batch.bicarbonate_left_g,
        "carbonate_g": None if batch.impossible else batch.carbonate_g,
        "moisture_if_complete": batch.moisture_if_complete,
        "alkalinity_eq_if_damp": None if batch.beyond_damp else batch.alkalinity_eq_if_damp,
        "shortcuts": [{"how": each.how, "error_percent": each.error_percent} for each in room.shortcuts()],
        "cautions": batch.cautions,
    }


def text_of(batch: room.Bake, steady: bool | None, assay: float | None, heavier: bool = False) -> str:
    """The batch for a person."""
    rows = [
        ("Baked through", f"it would weigh {figure(batch.expected_after_g, 4)} g"),
        ("Lost", f"{batch.loss_fraction * 100:.1f} % of what was weighed in"),
        ("Conversion", f"{batch.conversion * 100:.1f} %" + _apparent(batch)),
        *_strength(batch),
    ]
    if steady is not None:
        rows.append(
            (
                "Constant mass",
                "yes: the last two weighings agree, so it is done, whatever the conversion says"
                if steady
                else "not yet: the last weighing is heavier than the one before. Are they in order, or has it drawn "
                "damp in cooling? Bake on, cool it covered, weigh again"
                if heavier
                else "not yet: the last two weighings differ. Bake on, cool, weigh again",
            )
        )
    return "\n\n".join(
        [
            f"{figure(batch.before_g)} g of sodium bicarbonate before, {figure(batch.after_g)} g after",
            pairs(rows),
            _shortcuts(),
            _next(batch, assay),
            bullets("Mind", batch.cautions),
        ]
    )


def _strength(batch: room.Bake) -> list[tuple[str, str]]:
    """The alkalinity of all of it and of a gram; no strength where the masses cannot be of bicarbonate alone."""
    went_in = f"{figure(batch.alkalinity_eq, 4)} eq"
    if batch.meq_per_g is not None:
        return [
            ("Alkalinity", f"{went_in} in all of it, by the bicarbonate that went in"),
            ("The powder", f"{figure(batch.meq_per_g, 4)} meq/g, if nothing was spilt"),
        ]
    most_eq = batch.after_g * batch.most_meq_per_g / 1000
    rows = [
        ("Alkalinity", f"not known: {went_in} went in as weighed, what came out holds {figure(most_eq, 4)} at most"),
        ("The powder", f"not known: {figure(batch.most_meq_per_g, 4)} meq/g at most, and less where not baked through"),
    ]
    if not batch.beyond_damp:
        water = f"{plain(batch.moisture_if_complete * 100, 2)} % of water makes the same loss"
        rows.append(("If it was damp", f"{water}; then {figure(most_eq, 4)} eq are in it"))
    return rows


def _apparent(batch: room.Bake) -> str:
    if batch.impossible:
        return ", apparent: more left than bicarbonate can lose"
    return ", complete" if batch.complete else ", not complete"


def _shortcuts() -> str:
    lines = ['"Half the weight, double the strength" is wrong, by so much alkalinity given:']
    for each in room.shortcuts():
        error = "right" if abs(each.error_percent) < 0.005 else f"{each.error_percent:+.1f} %"
        first, *more = folded(each.how, 68).splitlines()
        lines += [f"  {error:>8}  {first}", *(" " * 12 + line.strip() for line in more)]
    return "\n".join(lines)


def _next(batch: room.Bake, assay: float | None) -> str:
    """The next commands and the plan's own words, with figures that give the same alkalinity."""
    if batch.impossible:
        if batch.beyond_damp:
            return folded("No line for a plan, and nothing to mix, before the powder is proved (below).")
        return f'If it was damp, first say so: --moisture "{figure(batch.moisture_if_complete * 100, 3)} %"'
    said = "" if assay is None else f", assay: {figure(assay * 100, 6)} %"
    command = f'dosingd mix --salt "baked soda" --mass "{figure(batch.after_g, 6)} g" --volume "2 L"'
    if assay is not None:
        command += f' --assay "{figure(assay * 100, 6)} %"'
    if batch.conversion < 1:
        command += f' --conversion "{figure(batch.conversion * 100, 6)} %"'
    lines = [
        "In a stock of the plan, for all of it:",
        f"  baked soda: {{bicarbonate: {figure(batch.dry_bicarbonate_g, 6)} g{said}}}",
    ]
    if batch.conversion <= 1:  # above it the powder's weight tells another strength than what went in
        lines += ["To mix it:", *command_lines(command, "  ")]
    return "\n".join(lines)
