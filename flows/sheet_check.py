"""What a job sheet must be beyond its schema: of this job, of things that are there, and without contradiction."""

from __future__ import annotations

from glassine.flows.studio import Studio
from glassine.schemas.errors import DocumentError
from glassine.schemas.validation import Document


def check_sheet(studio: Studio, number: str, sheet: Document, *, label: str) -> None:
    """Check a job sheet that is valid by its schema, whether it was given to `job open` or edited in the job's folder.

    Raises
    ------
    DocumentError
        D002 it is another job's, names a final twice, or has a licence that ends before it begins; D004 it names a
        look, a specification or a final that is not there. A look or specification that is wrong is told by its own name.
    """
    if sheet["job"] != number:
        raise DocumentError(
            "D002", label, "job", f"is {sheet['job']}, and this is job {number}: correct one of the two."
        )
    for look in sorted({sheet.get("preview_look"), *(final["look"] for final in sheet.get("finals", []))} - {None}):
        studio.look(look)
    names = [final["final"] for final in sheet.get("finals", [])]
    if len(set(names)) < len(names):
        raise DocumentError("D002", label, "finals", "names one final twice.")
    for deliverable in sheet.get("deliverables", []):
        studio.specification(deliverable["specification"])
        for final in deliverable.get("finals", []):
            if final not in names:
                known = f"the sheet's finals are {', '.join(names) or 'none'}"
                raise DocumentError("D004", label, "deliverables", f"names the final {final!r}; {known}.")
    for licence in sheet.get("licences", []):
        if licence.get("from", "") > licence.get("until", "9999"):
            raise DocumentError("D002", label, "licences", f"that of {licence['client']} ends before it begins.")
