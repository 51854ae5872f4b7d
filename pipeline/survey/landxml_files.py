"""The form `landxml`: CgPoints of a LandXML 1.2 file, in the units it states.

The parser resolves no entities, loads nothing, and refuses a document type declaration: a survey needs none, and
an entity bomb begins with one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from pipeline.errors import Reason
from pipeline.survey.field_book import Page, Quarantined, ReadPoint
from pipeline.survey.point_files import quarantine, refuse_too_many
from pipeline.survey.quantities import number
from pipeline.survey.refusals import refusal
from pipeline.units import FOOT, METRES_PER, UnitName

NAMESPACE: Final = "http://www.landxml.org/schema/LandXML-1.2"
LINEAR_UNITS: Final[dict[tuple[str, str], tuple[float, UnitName]]] = {
    ("Metric", "millimeter"): (0.001, "millimetre"),
    ("Metric", "centimeter"): (0.01, "metre"),
    ("Metric", "meter"): (1.0, "metre"),
    ("Metric", "kilometer"): (1000.0, "metre"),
    ("Imperial", "foot"): (FOOT, "foot"),
    ("Imperial", "USSurveyFoot"): (METRES_PER["us-survey-foot"], "us-survey-foot"),
    ("Imperial", "inch"): (METRES_PER["inch"], "inch"),
    ("Imperial", "mile"): (5280 * FOOT, "foot"),
}  # (element of Units, linearUnit): [m], and the unit of ours that a stake-out is written in

UNITS_STATED: Final = ("areaUnit", "linearUnit", "volumeUnit", "temperatureUnit", "pressureUnit")  # what the schema asks of Units


def read_landxml(content: bytes, file: str, unit: UnitName, most: int) -> Page:
    """Read a LandXML file.

    Parameters
    ----------
    content : bytes
        The file.
    file : str
        Its name.
    unit : UnitName
        The job's, for a file that states none.
    most : int
        More points than this are refused.

    Raises
    ------
    SurveyError
        When it is no well-formed LandXML 1.2.
    """
    root = _root(content, file)
    scale, own, warnings = _units(root, file, unit)
    warnings += _not_valid(root, file)
    points: list[ReadPoint] = []
    quarantined: list[Quarantined] = []
    elements = list(_cg_points(root))
    refuse_too_many(len(elements), most, file, "points")
    for count, element in enumerate(elements, 1):
        try:
            points.append(_point(element, count, scale, file))
        except ValueError as fault:
            shown = f"CgPoint {element.get('name') or count} {element.get('code') or ''} {(element.text or '').strip()}"
            quarantined.append(quarantine(file, element.sourceline or count, shown, str(fault)))
    return Page(
        file=file,
        form="landxml",
        points=tuple(points),
        quarantined=tuple(quarantined),
        warnings=tuple(warnings),
        stated_unit=own,
        named_crs=_named_crs(root),
    )


def _root(content: bytes, file: str) -> Any:
    from lxml import etree

    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, huge_tree=False, load_dtd=False, dtd_validation=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(content, parser)
    except (etree.XMLSyntaxError, ValueError) as fault:
        raise refusal(
            "not-xml",
            f"{file} is not well-formed XML: {str(fault).split(' (<')[0][:120]}",
            why="a damaged file may lack points",
            file=file,
            line=getattr(fault, "lineno", None) or None,
            do="export it again",
        ) from None
    if root.getroottree().docinfo.doctype:
        raise refusal("doctype", f"{file} declares a document type", why="LandXML has none, and entities in it can expand without bound", file=file, do="export it again from the survey program")  # fmt: skip
    name = etree.QName(root)
    if name.localname != "LandXML" or name.namespace != NAMESPACE:
        version = f"LandXML {root.get('version')}" if name.localname == "LandXML" else f"<{name.localname[:40]}>"
        raise refusal("not-landxml-1.2", f"{file} is {version}, not LandXML 1.2", why="other versions put other things under the same names", file=file, do="export it as LandXML 1.2")  # fmt: skip
    return root


def _units(root: Any, file: str, unit: UnitName) -> tuple[float, UnitName, list[Reason]]:
    """Return (metres per unit, our unit, warnings)."""
    stated = [
        (system, element.get("linearUnit", ""))
        for system in ("Metric", "Imperial")
        for element in root.findall(f"{{{NAMESPACE}}}Units/{{{NAMESPACE}}}{system}")
    ]
    if len(stated) == 1 and stated[0] in LINEAR_UNITS:
        return *LINEAR_UNITS[stated[0]], []
    if not stated:
        warning = Reason(
            ref="no-units",
            what=f"{file} states no units; read as {unit}",
            why="LandXML asks for a Units element",
            file=file,
            do="see whether the pool comes out right",
        )
        return METRES_PER[unit], unit, [warning]
    known = ", ".join(sorted(name for _, name in LINEAR_UNITS))
    shown = " and ".join(f"{system} {name!r}" for system, name in stated)
    raise refusal("unknown-units", f"{file} states the unit {shown}", why="the coordinates have no size without it", file=file, do=f"one of: {known}")


def _not_valid(root: Any, file: str) -> list[Reason]:
    """Say where what is read of a file breaks the schema all the same: whoever wrote it may have broken more."""
    faults = [f"its root has no {name}" for name in ("version", "date", "time") if not root.get(name)]
    for system in ("Metric", "Imperial"):
        for element in root.findall(f"{{{NAMESPACE}}}Units/{{{NAMESPACE}}}{system}"):
            faults += [f"its units have no {name}" for name in UNITS_STATED if not element.get(name)]
    if not faults:
        return []
    return [
        Reason(
            ref="not-valid",
            what=f"{file} is not valid LandXML 1.2: {'; '.join(faults)}",
            why="its points were read, but the program that wrote it does not keep to the schema",
            file=file,
            do="see whether all points are there",
        )
    ]


def _cg_points(root: Any) -> Iterator[Any]:
    """Yield the points that carry coordinates: those in CgPoints, not references to them from elsewhere."""
    for element in root.iter(f"{{{NAMESPACE}}}CgPoint"):
        parent = element.getparent()
        if parent is not None and parent.tag == f"{{{NAMESPACE}}}CgPoints" and element.get("pntRef") is None:
            yield element


def _point(element: Any, count: int, scale: float, file: str) -> ReadPoint:
    cells = (element.text or "").split()
    if len(cells) not in (2, 3):
        raise ValueError(f"{len(cells)} numbers stand where northing, easting and elevation should")
    values = [number(cell, comma=False) * scale for cell in cells]
    code, text = (element.get("code") or "").strip(), (element.get("desc") or "").strip()
    described = code or text
    if code and text and text != code and "/" not in code:
        described = f"{code} / {text}"
    return ReadPoint(
        point=(element.get("name") or str(count)).strip()[:64],
        north=values[0],
        east=values[1],
        elev=values[2] if len(values) == 3 else None,
        description=described[:500],
        file=file,
        row=element.sourceline or 0,
    )


def _named_crs(root: Any) -> str:
    element = root.find(f"{{{NAMESPACE}}}CoordinateSystem")
    code = element.get("epsgCode", "").strip() if element is not None else ""
    return f"EPSG:{code}" if code.isdigit() else ""
