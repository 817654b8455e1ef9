"""The page: our own files, and what it takes from installed packages. Nothing from the internet."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path, PurePosixPath

from fastapi import FastAPI, Response
from starlette.responses import FileResponse
from starlette.staticfiles import StaticFiles

FOLDER = files(__package__) / "static"

FROM_PACKAGES: Mapping[str, tuple[str, str]] = {
    "chart/uplot.iife.min.js": ("youplot", "vendor/uplot.iife.min.js"),
    "chart/uplot.min.css": ("youplot", "vendor/uplot.min.css"),
}
"""Further files below ``/static/`` by name: package, and path inside it."""

_TYPES = {".js": "text/javascript", ".css": "text/css"}


def has_page() -> bool:
    """Whether there is a page to serve."""
    return (FOLDER / "index.html").is_file()


def add_page(app: FastAPI) -> None:
    """Serve the page at ``/`` and its files below ``/static/``."""
    for name, (package, path) in FROM_PACKAGES.items():
        app.add_api_route(f"/static/{name}", _served(package, path), include_in_schema=False)

    @app.get("/", response_class=Response, include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(str(FOLDER / "index.html"), media_type="text/html; charset=utf-8")

    app.mount("/static", StaticFiles(directory=str(FOLDER)))


def _served(package: str, path: str) -> Callable[[], Awaitable[FileResponse]]:
    """Route of a file of an installed package, which is not imported for it."""
    spec = find_spec(package)
    folders = list(spec.submodule_search_locations or ()) if spec is not None else []
    file, kind = str(Path(*folders[:1], path)), _TYPES.get(PurePosixPath(path).suffix)

    async def serve() -> FileResponse:
        return FileResponse(file, media_type=kind)

    return serve
