"""Spellings of steel designations: schedules write one steel in many ways.

The spellings are common practice, no source; the designations themselves are those of ASTM, API, ABS, CSA and EN.
"""

from __future__ import annotations

import pytest

from frostshift_rules.steel_names import canonical_steel

SPELLINGS = {
    "A572-50": [
        "A572-50",
        "ASTM A572 Gr. 50",
        "A572 Grade 50",
        "a572gr50",
        "A 572 GR 50",
        "A572/A572M Gr 50",
        "A572 50",
    ],
    "A992": ["A992", "ASTM A992/A992M", " a992 ", "ASTM A992", "A992M"],
    "A36": ["A36", "ASTM A36", "A-36", "a 36"],
    "A709-50W": ["A709-50W", "A709 Gr. 50W", "ASTM A709 Grade 50W"],
    "A709-HPS70W": ["A709 HPS 70W", "A709-HPS70W", "A709 Gr. HPS 70W", "ASTM A709/A709M HPS70W", "A709 GRADE HPS 70W"],
    "API5L-X52": ["API 5L X52", "API5L-X52", "API 5L Gr. X52", "api 5lx52"],
    "API5L-B": ["API 5L Gr. B", "API 5L GRADE B", "API5L-B"],
    "A500-B": ["A500 Gr. B", "A500-B", "A500B", "ASTM A500 GR.B"],
    "A913-65": ["A913 Gr 65", "A913-65"],
    "A537-1": ["A537 Class 1", "A537 CL. 1", "A537 Cl 1", "A537CL1", "A537-1"],
    "A514": ["A514", "ASTM A514/A514M"],
    "A514-B": ["A514 Gr B"],
    "A618-IB": ["A618 Gr. Ib"],
    "A618-III": ["A618 Grade III"],
    "A1011-SS33": ["A1011 SS Gr 33", "A1011 SS 33", "A1011-SS33"],
    "A1011-SS36T1": ["A1011 SS Grade 36 Type 1", "A1011 SS 36 T1", "A1011-SS36T1"],
    "A1018-HSLAS50": ["A1018 HSLAS 50"],
    "A710-A-CL2": ["A710 Gr. A Class 2", "A710-A-CL2", "A710 Grade A Cl. 2"],
    "A131-AH36": ["A131 AH36", "A131 Gr. AH36"],
    "ABS-EH36": ["ABS EH36", "ABS Grade EH36", "ABS-EH36"],
    "API2W-50T": ["API 2W Gr. 50T"],
    "G40.21-350W": ["CSA G40.21 350W", "G40.21-350W", "CSA G40.21 Gr. 350W"],
    "S355J2+N": ["S355J2+N"],
    "S355": ["s355"],
}


@pytest.mark.parametrize(
    ("spelling", "canonical"), [(spelling, name) for name, spellings in SPELLINGS.items() for spelling in spellings]
)
def test_spellings_of_one_steel_give_one_name(spelling: str, canonical: str) -> None:
    assert canonical_steel(spelling) == canonical


@pytest.mark.parametrize("canonical", SPELLINGS)
def test_a_canonical_name_stays_as_it_is(canonical: str) -> None:
    assert canonical_steel(canonical) == canonical


@pytest.mark.parametrize(
    "text",
    ["", "  ", "steel", "mild", "A", "50", "A572/A588", "A36 or A572-50", "A572-50/60", "Gr. 50", "A36-ish",
     "A572-18 Gr 50", "A36+", "B7", "API", "ABS", "ABSEH36", "A5720000", "A572-", "A572 Gr."],
)  # fmt: skip
def test_what_is_no_designation_is_refused_with_what_is_expected(text: str) -> None:
    with pytest.raises(ValueError, match="expected a specification and grade such as A572-50"):
        canonical_steel(text)
