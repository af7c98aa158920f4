"""Addresses under /recordings: the list, adding a capture, reading some together, taking results away."""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from indexhole import __version__
from indexhole.errors import IndexholeError, InputFault
from indexhole.jobs.faults.own_limits import kept_file
from indexhole.shelf.care.captures import Stored, store_capture
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.views.listing import choices_of
from indexhole.signal.formats.readers import READERS, read_capture
from indexhole.web.drawing.links import KEY_LENGTH, capture_link
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import count, query, size
from indexhole.web.drawing.zoom import zooms_of
from indexhole.web.forms.faults import sentence
from indexhole.web.forms.fields import form_fields
from indexhole.web.forms.forms import MOST_CHOICES, FormField, FormPage, form, typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.recordings.reading import Reading, asked_for, read_records
from indexhole.web.pages.recordings.recordings import (
    RecordingsPage,
    WorkingPage,
    chosen_records,
    entry_of,
    reading_page,
    track_page,
)
from indexhole.web.serving.job_queue import Task
from indexhole.web.serving.progress import how_far
from indexhole.web.serving.site import PATIENCE_S, Site
from indexhole.wording import listed

Chosen = Annotated[list[str], Query(default_factory=list)]


def capture_fields(site: Site) -> tuple[FormField, ...]:
    """What is asked of a capture besides its file."""
    known = choices_of(site.shelf, MOST_CHOICES + 1)
    choices = {"disk": known.disks, "mechanism": known.mechanisms, "writer": known.mechanisms}
    return form_fields(CaptureRecord, new=True, choices=choices)


def plain_name(name: str) -> str:
    """The last part of what a browser calls a file, in characters every system takes; never a path."""
    last = re.split(r"[/\\]", name)[-1]
    kept = re.sub(r"[^A-Za-z0-9 ._+()-]+", "_", last).lstrip(". ")[-100:].strip()
    return kept or "capture"


def list_page(
    site: Site, request: Request, values: dict[str, Any] | None = None, fault: IndexholeError | None = None
) -> Response:
    """The list with its form; with a fault what was typed stands in it again."""
    page = RecordingsPage(
        title="Recordings",
        section="Recordings",
        notices=site.notices_for(request),
        entries=tuple(entry_of(record) for record in site.shelf.all(CaptureRecord)),
        form=form("/recordings", "Add the recording", capture_fields(site), values, fault),
        formats=listed((f"{reader.title} ({' '.join(reader.endings)})" for reader in READERS), "or"),
        accept=",".join([ending for reader in READERS for ending in reader.endings] + [".gz"]),
        largest=size(site.largest_upload_bytes),
        largest_bytes=site.largest_upload_bytes,
    )
    return render("recordings.html", page, 422 if fault else 200)


def keep_upload(site: Site, upload: UploadFile, about: dict[str, Any]) -> Stored:
    """Read an uploaded file and keep it on the shelf."""
    with tempfile.TemporaryDirectory(prefix="indexhole-") as folder:
        path = Path(folder) / plain_name(upload.filename or "")
        with path.open("wb") as copy:
            shutil.copyfileobj(upload.file, copy)
        capture = read_capture(path)
        return store_capture(site.shelf, path, capture, **about)


def reading_of(site: Site, records: Sequence[CaptureRecord], layout: str) -> Task[Reading]:
    """The reading of these captures, being made or ready. It is kept by what it was made from and by which version."""
    asked = asked_for(site.shelf, records, layout)
    made_from = tuple((record.sha256, record.name, record.mechanism) for record in records)
    key = ("reading", made_from, asked.layout, asked.disk_class, kept_file(site.shelf), __version__)
    return site.job_queue.ask(key, lambda progress: read_records(site.shelf, asked, progress))


def _chosen(site: Site, keys: Sequence[str]) -> list[CaptureRecord]:
    try:
        return chosen_records(site.shelf, keys)
    except KeyError as fault:
        raise HTTPException(404, "there is no such recording on the shelf") from fault


def _finished(site: Site, keys: Sequence[str], layout: str) -> tuple[list[CaptureRecord], Reading]:
    records = _chosen(site, keys)
    task = reading_of(site, records, layout)
    # a download has no page that could wait
    task.wait(600)
    return records, task.result()


def _working(records: Sequence[CaptureRecord], layout: str, task: Task[Reading]) -> Response:
    what = records[0].name if len(records) == 1 else f"{len(records)} recordings"
    progress = query("/recordings/progress", capture=[r.sha256[:KEY_LENGTH] for r in records], layout=layout)
    page = WorkingPage(
        title=f"Reading {what}", section="Recordings", again=progress, what=what, done=task.done, total=task.total
    )
    return render("working.html", page)


def _attachment(content: bytes, name: str, kind: str = "application/octet-stream") -> Response:
    safe = re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("._") or "file"
    return Response(content, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{safe[-80:]}"'})


def routes(site: Site) -> APIRouter:
    """The addresses under /recordings."""
    router = APIRouter(prefix="/recordings")
    _add_records(router, site)
    _add_readings(router, site)
    _add_downloads(router, site)
    return router


def _add_records(router: APIRouter, site: Site) -> None:
    """The list, a new recording, and what is known of one."""

    @router.get("")
    def recordings(request: Request) -> Response:
        return list_page(site, request)

    @router.post("")
    def add(request: Request, sent: Posted) -> Response:
        about = typed(capture_fields(site), sent)
        upload = sent.get("file")
        try:
            if not isinstance(upload, UploadFile) or not upload.filename:
                raise InputFault("no file was chosen", remedy="choose the logger's file, then add it")
            stored = keep_upload(site, upload, about)
        except InputFault as fault:
            return list_page(site, request, about, fault)
        record = stored.record
        text = f"{record.name} is kept, {count(record.size_bytes)} bytes as they came."
        if not stored.new:
            text = f"A recording with these very bytes stands here already, as {record.name}; nothing was added."
        return site.gone_to(
            capture_link(record.sha256), text, *(sentence(one.summary, start=False) for one in stored.mended)
        )

    @router.get("/edit")
    def edit(capture: str) -> Response:
        return _edit_page(site, _chosen(site, [capture])[0])

    @router.post("/edit")
    def change(capture: str, sent: Posted) -> Response:
        record = _chosen(site, [capture])[0]
        values = typed(capture_fields(site), sent)
        try:
            site.shelf.update(CaptureRecord, record.sha256, **values)
        except InputFault as fault:
            return _edit_page(site, record, values, fault)
        return site.gone_to(query("/recordings/read", capture=capture), f"{record.name} is changed.")


def _add_readings(router: APIRouter, site: Site) -> None:
    """What was read from recordings."""

    @router.get("/read")
    def read(request: Request, capture: Chosen, layout: str = "") -> Response:
        records = _chosen(site, capture)
        task = reading_of(site, records, layout)
        if not task.wait(PATIENCE_S):
            return _working(records, layout, task)
        return render(
            "reading.html", reading_page(records, task.result(), layout, site.notices_for(request), zooms_of(request))
        )

    @router.get("/track")
    def track(request: Request, cylinder: int, head: int, capture: Chosen, layout: str = "") -> Response:
        records = _chosen(site, capture)
        task = reading_of(site, records, layout)
        if not task.wait(PATIENCE_S):
            return _working(records, layout, task)
        found = task.result().track(cylinder, head)
        if found is None:
            raise HTTPException(404, f"nothing was read at cylinder {cylinder}, side {head}")
        return render("track.html", track_page(records, task.result(), layout, found, zooms_of(request)))

    @router.get("/progress")
    def progress(request: Request, capture: Chosen, layout: str = "") -> Response:
        return how_far(request, reading_of(site, _chosen(site, capture), layout))


def _add_downloads(router: APIRouter, site: Site) -> None:
    """Image, report and files."""

    @router.get("/image")
    def image(capture: Chosen, layout: str = "") -> Response:
        _, reading = _finished(site, capture, layout)
        if reading.image is None:
            raise HTTPException(404, "these recordings are not one whole disk, so there is no image")
        return _attachment(reading.image, "image.bin")

    @router.get("/report")
    def report(capture: Chosen, layout: str = "") -> Response:
        _, reading = _finished(site, capture, layout)
        return _attachment(json.dumps(reading.report, indent=1).encode(), "report.json", "application/json")

    @router.get("/file")
    def file(number: int, capture: Chosen, layout: str = "") -> Response:
        _, reading = _finished(site, capture, layout)
        files = reading.volume.files if reading.volume else ()
        if not 0 <= number < len(files):
            raise HTTPException(404, "there is no such file on this disk")
        return _attachment(files[number].data, files[number].name)


def _edit_page(
    site: Site, record: CaptureRecord, values: dict[str, Any] | None = None, fault: IndexholeError | None = None
) -> Response:
    key = record.sha256[:KEY_LENGTH]
    drawn = form(
        query("/recordings/edit", capture=key), "Keep", capture_fields(site), values or record.model_dump(), fault
    )
    page = FormPage(
        title=f"What is known of {record.name}",
        section="Recordings",
        form=drawn,
        back=query("/recordings/read", capture=key),
    )
    return render("form.html", page, 422 if fault else 200)
