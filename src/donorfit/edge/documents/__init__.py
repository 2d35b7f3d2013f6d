"""Documents for the owner: the hand-over as a self-contained page and as a PDF."""

from donorfit.edge.documents.html_page import write_html
from donorfit.edge.documents.pdf_sheets import write_pdf

__all__ = ["write_html", "write_pdf"]
