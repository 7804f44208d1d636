"""PDFs of chapters to one: pages, links, bookmarks, names, tags (ISO 32000-1, 12.3, 12.5, 14.7), page numbers."""

from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

from macrocheck.errors import InputError
from macrocheck.report.pages.html import PAGE_SIZES

if TYPE_CHECKING:
    import pikepdf

ELSEWHERE = "in-this-report:"
"""Scheme of a link to another chapter until the chapters are joined."""
_NUMBERS = """<html lang="en"><style>
@page {{ size: {size}; margin: 15mm 16mm 17mm;
  @bottom-right {{ content: counter(page) " of {pages}"; color: #596069;
    font: 7.5pt "Liberation Sans", Arial, "DejaVu Sans", sans-serif; }} }}
div {{ break-after: page; }} div:last-child {{ break-after: auto; }}
</style>{bodies}</html>"""


def need_library() -> None:
    """Refuse where the library that joins PDFs is missing: InputError that names the extra."""
    try:
        import pikepdf  # noqa: F401
    except ImportError as error:
        msg = "A PDF of many coupons needs an extra: pip install 'macrocheck[report]'"
        raise InputError(msg) from error


@dataclass(frozen=True, slots=True)
class _Mark:
    """A heading: its text, page, place on it (pt), and what stands under it."""

    title: str
    page: int
    left: float
    top: float
    inner: tuple["_Mark", ...]


def numbers_page(pages: int, paper: str) -> str:
    """Return a page that prints as so many that hold nothing but "n of N" where a report has its numbers."""
    return _NUMBERS.format(size=PAGE_SIZES[paper], pages=pages, bodies="<div></div>" * pages)


class Joined:
    """A PDF that grows by chapters; the first gives its language, title and description of itself."""

    def __init__(self, first: bytes) -> None:
        import pikepdf

        self._pike = pikepdf
        self._pdf = pikepdf.Pdf.open(BytesIO(first))
        root = self._pdf.Root.StructTreeRoot
        self._document = root.K[0]
        self._parents = root.ParentTree.Nums
        self._names: dict[str, Any] = dict(self._places(self._pdf))

    def add(self, chapter: bytes) -> None:
        """Put a chapter's pages behind those that are there."""
        pdf = self._pdf
        with self._pike.Pdf.open(BytesIO(chapter)) as other:
            start = len(pdf.pages)
            marks = self._marks(other)
            places = self._places(other)
            numbers = {page.obj.objgen: i for i, page in enumerate(other.pages)}
            pdf.pages.extend(other.pages)
            for name, place in places:
                self._names[name] = self._pike.Array(
                    [pdf.pages[start + numbers[place[0].objgen]].obj, *list(place)[1:]]
                )
            self._add_tags(other)
            self._add_marks(marks, start)

    @property
    def count(self) -> int:
        """How many pages there are."""
        return len(self._pdf.pages)

    def numbered(self, numbers: bytes) -> bytes:
        """Lay `numbers`, a PDF of as many pages, over them, point links to where they lead, and return the file."""
        self._link()
        self._number(numbers)
        out = BytesIO()
        self._pdf.save(out, object_stream_mode=self._pike.ObjectStreamMode.generate, linearize=False)
        return out.getvalue()

    @staticmethod
    def _places(pdf: "pikepdf.Pdf") -> list[tuple[str, Any]]:
        names = pdf.Root.get("/Names")
        if names is None or "/Dests" not in names:
            return []
        listed = list(names.Dests.Names)
        return [(str(name), place) for name, place in zip(listed[::2], listed[1::2], strict=True)]

    def _add_tags(self, other: "pikepdf.Pdf") -> None:
        """Hang the chapter's structure under the document, and its parents behind those that are there.

        What a page's content and a link belong to is looked up by a number that the page and the link bear.
        """
        pdf = self._pdf
        root = pdf.copy_foreign(other.Root.StructTreeRoot)
        pairs = list(root.ParentTree.Nums)
        known = len(self._parents) // 2
        by_number = {int(n): known + i for i, n in enumerate(pairs[::2])}
        for element in root.K[0].K:
            element.P = self._document
            self._document.K.append(element)
        for number, parent in zip(pairs[::2], pairs[1::2], strict=True):
            self._parents.append(by_number[int(number)])
            self._parents.append(parent)
        for page in list(pdf.pages)[-len(other.pages) :]:
            page.obj.StructParents = by_number[int(page.obj.StructParents)]
            for note in page.obj.get("/Annots", ()):
                note.StructParent = by_number[int(note.StructParent)]

    def _marks(self, other: "pikepdf.Pdf") -> list["_Mark"]:
        """Return the chapter's own headings."""
        numbers = {page.obj.objgen: i for i, page in enumerate(other.pages)}

        def mark(item: "pikepdf.OutlineItem") -> _Mark:
            place: Any = item.destination
            page, _, left, top, *_ = place
            inner = tuple(mark(child) for child in item.children)
            return _Mark(item.title, numbers[page.objgen], float(left), float(top), inner)

        with other.open_outline() as outline:
            return [mark(item) for item in outline.root]

    def _add_marks(self, marks: list["_Mark"], start: int) -> None:
        def item(mark: _Mark) -> "pikepdf.OutlineItem":
            made: pikepdf.OutlineItem = self._pike.OutlineItem(
                mark.title, start + mark.page, "XYZ", left=mark.left, top=mark.top
            )
            made.children.extend(item(inner) for inner in mark.inner)
            return made

        with self._pdf.open_outline() as outline:
            (outline.root[0].children if outline.root else outline.root).extend(item(m) for m in marks)

    def _link(self) -> None:
        """Turn links to another chapter into links within the file; sort the names that they lead to."""
        pike = self._pike
        for page in self._pdf.pages:
            for note in page.obj.get("/Annots", ()):
                uri = str(note.A.URI) if "/A" in note and "/URI" in note.A else ""
                if uri.startswith(ELSEWHERE) and uri.removeprefix(ELSEWHERE) in self._names:
                    note.Dest = pike.String(uri.removeprefix(ELSEWHERE))
                    note.Contents = pike.String(uri.removeprefix(ELSEWHERE))
                    del note["/A"]
        pairs: list[Any] = []
        for name in sorted(self._names, key=lambda n: n.encode()):
            pairs += [pike.String(name), self._names[name]]
        if pairs:
            if "/Names" not in self._pdf.Root:
                self._pdf.Root.Names = pike.Dictionary()
            self._pdf.Root.Names.Dests = pike.Dictionary(Names=pike.Array(pairs))

    def _number(self, numbers: bytes) -> None:
        """Lay the numbers on the pages, marked as no part of the text."""
        with self._pike.Pdf.open(BytesIO(numbers)) as other:
            for i, (under, over) in enumerate(zip(self._pdf.pages, other.pages, strict=True)):
                name = f"/PageNumber{i + 1}"
                form = self._pdf.copy_foreign(over.as_form_xobject())
                under.obj.Resources.XObject[name] = form
                under.contents_add(b"q", prepend=True)  # what is there leaves the axes turned
                under.contents_add(f"Q /Artifact BMC q {name} Do Q EMC".encode())
