"""Workbooks as small as they may be, to be spoiled."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from xml.sax.saxutils import escape


def workbook(suffix: str, rows: Sequence[Sequence[str]]) -> bytes:
    """A workbook with rows of text, as small as it may be."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        if suffix == ".ods":
            cells = "".join(
                "<table:table-row>" + "".join(
                    f'<table:table-cell office:value-type="string"><text:p>{escape(_xml(cell))}'
                    "</text:p></table:table-cell>" for cell in row) + "</table:table-row>"
                for row in rows)  # fmt: skip
            space = "urn:oasis:names:tc:opendocument:xmlns"
            book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
            book.writestr("content.xml", (
                f'<office:document-content xmlns:office="{space}:office:1.0" '
                f'xmlns:table="{space}:table:1.0" xmlns:text="{space}:text:1.0"><office:body>'
                f'<office:spreadsheet><table:table table:name="a">{cells}</table:table>'
                "</office:spreadsheet></office:body></office:document-content>"))  # fmt: skip
            return out.getvalue()
        cells = "".join(
            "<row>" + "".join(f'<c t="inlineStr"><is><t>{escape(_xml(cell))}</t></is></c>'
                              for cell in row) + "</row>" for row in rows)  # fmt: skip
        main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
        package = "http://schemas.openxmlformats.org/package/2006/relationships"
        book.writestr("xl/workbook.xml", (
            f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="a" sheetId="1" '
            'r:id="r1"/></sheets></workbook>'))  # fmt: skip
        book.writestr("xl/_rels/workbook.xml.rels", (
            f'<Relationships xmlns="{package}"><Relationship Id="r1" Type="{office}/worksheet" '
            'Target="worksheets/sheet1.xml"/></Relationships>'))  # fmt: skip
        book.writestr("xl/worksheets/sheet1.xml",
                      f'<worksheet xmlns="{main}"><sheetData>{cells}</sheetData></worksheet>')
    return out.getvalue()


def _xml(text: str) -> str:
    return "".join(letter for letter in text if letter >= " " and not "\ud800" <= letter < "\ue000")
