"""What of other people's work lies in `static/`, unchanged: file, name, version, licence, address, SHA-256."""

from typing import NamedTuple


class Vendored(NamedTuple):
    """A file of somebody else's."""

    file: str
    name: str
    version: str
    licence: str
    member: str  # path within the package of the npm registry
    sha256: str


TABLE: tuple[Vendored, ...] = (
    Vendored("uplot.js", "uplot", "1.6.32", "MIT", "dist/uPlot.iife.min.js",
             "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"),
    Vendored("uplot.css", "uplot", "1.6.32", "MIT", "dist/uPlot.min.css",
             "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
    Vendored("uplot.LICENSE", "uplot", "1.6.32", "MIT", "LICENSE",
             "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd"),
)  # fmt: skip
