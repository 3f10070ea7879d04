"""What the rule tables cover, as a page of Markdown made from their own headers: `rules/README.md`."""

from __future__ import annotations

from collections.abc import Iterable

from frostshift_rules.code_table import CodeTable
from frostshift_rules.electrodes import electrode_table
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, load_hydrogen_control
from frostshift_rules.operations import operations
from frostshift_rules.people import people_table
from frostshift_rules.strict import Basis, Coverage, least_sure
from frostshift_rules.tables import code_table_ids, load_code_table

_HEAD = """\
# What the rules cover

Made from the tables' own headers by `frostshift tables --coverage`; a test compares. A figure is `seen` in a copy of
the standard, `second hand` (read in quotations and reproductions), `from memory`, or `our choice`. A minimum that is
second hand or from memory counts for a site only when it has accepted the table: somebody checked it against the site's
own copy. The rules around the minimum hold for every job and show how sure they are. Whatever stands here, the job's
welding procedure and its code go before it.
"""

_TAIL = """\
## Codes that are not here

The job's welding procedure gives the minimum under these; enter it with the site.

- AWS D1.1/D1.1M:2025: not seen.
- AWS D1.1 before 2008 (Table 3.2; its annex was XI): its lists of steels were not read.
- AWS D1.8/D1.8M (seismic supplement), its lower wind limit and its maximum included: not sure enough.
- AASHTO/AWS D1.5, fracture-critical members: their tables were not obtainable.
- CSA W59: no copy of its table was found.
- AS/NZS 1554.1: its method goes by charts that cannot be put into figures.
- EN 1011-2 method A, JIS and the method by CEN: charts.
"""


def coverage_text() -> str:
    """The page: code, edition, table, basis, what it was checked against, what is left out and why."""
    sections = [_HEAD]
    for table_id in code_table_ids():
        table = load_code_table(table_id)
        sections.append(_section(table.id, table.name, table.title, table.clause, _bases(table), table.coverage))
    for control_id in HYDROGEN_CONTROLS:
        control = load_hydrogen_control(control_id)
        bases = (
            f"levels {_said(level.source.basis for level in control.levels)}, groups "
            f"{_said(band.source.basis for band in control.pcm_bands)}, index {control.index.source.basis}, cells "
            f"{_said(row.source.basis for row in control.rows)}"
        )
        sections.append(
            _section(
                control.id,
                control.name,
                control.title,
                control.clause,
                [bases],
                control.coverage,
            )
        )
    exposure, special, cold_people = electrode_table(), operations(), people_table()
    hours = _said(row.column_a.source.basis for row in exposure.rows)
    sections.append(
        _section(
            "electrodes",
            exposure.name,
            exposure.title,
            "5.3.2 and Table 5.1",
            [f"hours {hours}, storage {exposure.oven.source.basis}"],
            exposure.coverage,
        )
    )
    cuts = [cut.source for cut in special.cuts]
    layers = [layer.source for layer in special.layers]
    others = [special.ceiling.source, special.crayon.source, *layers]
    around = [special.tacks.source, special.repairs.source, *cuts, special.studs.source, *others]
    sections.append(
        _section(
            "operations",
            "Several standards",
            "tacks, repairs, access holes, studs, torch, layers, crayons",
            "each figure names its own",
            [_said(source.basis for source in around)],
            special.coverage,
        )
    )
    sections.append(
        _section(
            "people",
            "US National Weather Service and a warm-up schedule",
            "wind chill, frostbite, work and warm-up of crews; never for steel",
            "each figure names its own",
            [
                f"wind chill {cold_people.wind_chill_source.basis}, frostbite {cold_people.frostbite_source.basis}, "
                f"schedule {_said(row.source.basis for row in cold_people.schedule.rows)}"
            ],
            cold_people.coverage,
        )
    )
    sections.append(_TAIL)
    return "\n".join(sections)


def _section(table_id: str, name: str, title: str, clause: str, bases: Iterable[str], coverage: Coverage) -> str:
    lines = [
        f"## {name}, {title}",
        "",
        f"- Id: `{table_id}`",
        f"- Clause: {clause}",
        *(f"- Basis: {basis}" for basis in bases),
        "- Checked against:",
        *(f"  - {text}" for text in coverage.checked_against),
        "- Left out:",
        *(f"  - {text}" for text in coverage.left_out),
        "",
    ]
    return "\n".join(lines)


def _bases(table: CodeTable) -> list[str]:
    """How sure the figures are, group by group."""
    if table.formula is not None:
        formula = table.formula
        return [
            f"formula {formula.source.basis}, ranges {formula.ranges_source.basis}, composition limits "
            f"{formula.limits_source.basis}, weld metal {formula.weld_metal_source.basis}",
            _around(table),
        ]
    groups = []
    for category in table.categories:
        figures = least_sure(row.source.basis for row in table.rows_of(category.name))
        steels = _said(one.source.basis for one in table.steels if one.category == category.name)
        groups.append(f"{table.group_word} {category.name}: figures {figures}, steels {steels}")
    return [*groups, _around(table)]


def _around(table: CodeTable) -> str:
    said = [
        ("cold steel", table.cold_steel.source.basis),
        *([("maximum", least_sure(one.source.basis for one in table.maxima))] if table.maxima else []),
        ("extent", table.extent.source.basis),
        (f"measuring ({table.measuring.standard})", table.measuring.source.basis),
        ("least air temperature", table.ambient.source.basis),
        ("wind", table.wind.source.basis),
        ("wet surfaces", table.wet.basis),
    ]
    return ", ".join(f"{what} {basis}" for what, basis in said)


def _said(bases: Iterable[Basis]) -> str:
    return " and ".join(dict.fromkeys(bases))
