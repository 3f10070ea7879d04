"""The one spelling of a steel designation."""

from __future__ import annotations

import re
from typing import Final

_ASTM: Final = re.compile(r"(?:ASTM\s*)?(A)[\s-]?(\d{2,4})M?(?:\s*/\s*A[\s-]?\2M)?(?=$|[^0-9A-Z]|GR|CL|[A-Z]$)")
_API: Final = re.compile(r"(API)[\s-]*(5L|2H|2W|2Y)(?=$|[^0-9A-Z]|X\d|GR)")
_ABS: Final = re.compile(r"(ABS)()(?=[^0-9A-Z])")
_CSA: Final = re.compile(r"(?:CSA\s*)?(G40\.2)([01])(?=$|[^0-9A-Z])")
_SPECIFICATIONS: Final = (_ASTM, _API, _ABS, _CSA)
_EN_NAME: Final = re.compile(r"S\d{3}[A-Z0-9]*(?:\+[A-Z]+)?")
_GRADE: Final = re.compile(
    r"[\s,-]*(?:(?:GRADE|GR|CLASS|CL|TYPE)\b[.\s]*|(?:GRADE|GR|CLASS|CL)\.?\s*(?=\d))?"
    r"(?:(HPS|SS|HSLAS)[\s-]*)?(?:(?:GRADE|GR)\b[.\s]*)?"
    r"([0-9]{1,3}[A-Z]{0,2}[0-9]?|[A-Z]{1,2}[0-9]{2}|CS|DS|I[AB]|I{1,3}|[A-Z])"
    r"(?:[\s,-]+(?:(CL)(?:ASS)?|(T)(?:YPE)?)[.\s]*(\d))?"
)


def canonical_steel(text: str) -> str:
    """The one spelling of a steel designation that the code tables use, such as `A572-50`.

    Only spelling is settled here (`ASTM A572 Gr. 50`, `a572gr50`, `A 572 GRADE 50` are all `A572-50`); whether a code
    covers the steel is for the code table to say. Read are ASTM, API (5L, 2H, 2W, 2Y), ABS, CSA G40.20/21 and EN names.

    Raises:
        ValueError: the text is no designation that can be read.
    """
    tidy = " ".join(text.upper().split())
    if _EN_NAME.fullmatch(tidy):
        return tidy
    for pattern in _SPECIFICATIONS:
        start = pattern.match(tidy)
        if start is None:
            continue
        specification = start[1] + start[2]
        if start.end() == len(tidy):
            return specification
        grade = _GRADE.fullmatch(tidy, start.end())
        if grade is None:
            break
        prefix, core, is_class, is_type, number = (part or "" for part in grade.groups())
        suffix = f"-CL{number}" if is_class else f"{is_type}{number}"
        return f"{specification}-{prefix}{core}{suffix}"
    raise ValueError(
        f"steel {text!r} cannot be read; expected a specification and grade such as A572-50, A992, A709-HPS70W, "
        "A500-B or API5L-X52"
    )
