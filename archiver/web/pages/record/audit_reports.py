"""Audits run from the pages, and their reports."""

from __future__ import annotations

import io
import json
import re
import secrets
import shutil
import threading
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import __version__
from archiver.archive.statements import Operation, OperationKind, note_operation
from archiver.archive.store import Fields, Schema, mark_fields, read_fields, unchanged
from archiver.errors import ArchiveError
from archiver.web.auth.visitor import Visitor
from archiver.web.http_errors import Refused
from archiver.web.pages.record.missing_views import rule_sets
from archiver.web.tasks import Progress, Task
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.records import Audit
    from archiver.records.report import AuditSummary
    from archiver.web.app import Site

#: What the pages show of a report; the whole of it is in ``audit.json``.
_SHOWN = "shown.json"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.report"), (unchanged,))
#: Findings of one kind that are shown.
_OF_A_KIND = 100
_NAME = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
#: Reports that are kept; the oldest go first.
_KEPT = 50
#: Progress is told at most once in so many objects.
_STEP = 7


@dataclass(frozen=True)
class SavedReport:
    """A report that is kept.

    Parameters
    ----------
    name
        Of its folder, for its address.
    facts
        What ``audit.json`` holds, without the demands, and with the first findings of each kind.
    """

    name: str
    facts: dict[str, Any]


class Auditing:
    """Runs audits, one at a time, and keeps their reports."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._running = threading.Lock()
        self._task: Task | None = None

    @property
    def _folder(self) -> Path:
        return self._site.folder("reports")

    def start(self, visitor: Visitor, keys: Sequence[str], *, pictures: bool, full: bool) -> Task:
        """Begin an audit.

        Parameters
        ----------
        keys
            Of the sets of rules.
        pictures
            Look at the pictures themselves, too.
        full
            Read everything again, whatever earlier audits remember.

        Raises
        ------
        Refused
            400 where no set is named that there is, 409 while another audit runs.
        """
        if not keys or any(key not in rule_sets() for key in keys):
            raise Refused(400, "record.no_rules")
        if not self._running.acquire(blocking=False):
            raise Refused(409, "record.audit_busy")
        name = f"{self._site.clock():%Y%m%d-%H%M%S}-{secrets.token_hex(4)}"

        def work(progress: Progress) -> object:
            try:
                self._run(progress, name, visitor.name, keys, pictures=pictures, full=full)
            finally:
                self._running.release()
            return {"where": f"/record/report/{name}"}

        try:
            self._task = self._site.tasks.start(visitor, work)
            return self._task
        except Refused:
            self._running.release()
            raise

    def running(self) -> Task | None:
        """Return the audit that is going on; None where there is none."""
        return self._task if self._task is not None and not self._task.ended.is_set() else None

    def reports(self) -> list[SavedReport]:
        """Return the reports that are kept, the latest first."""
        names = sorted((p.name for p in self._folder.iterdir() if p.is_dir()), reverse=True)
        found = []
        for name in names:
            try:
                found.append(self.report(name))
            except Refused:
                continue
        return found

    def report(self, name: str) -> SavedReport:
        """Return a report.

        Raises
        ------
        Refused
            404 where there is none, 409 where a later program has saved it.
        """
        path = self._folder / name / _SHOWN
        if not _NAME.fullmatch(name) or not path.is_file():
            raise Refused(404, "record.no_report")
        try:
            given = json.loads(path.read_text("utf-8"))
            return SavedReport(name, read_fields(SCHEMA, given, path))
        except ArchiveError:
            raise Refused(409, "record.newer_report") from None
        except (OSError, ValueError):
            raise Refused(404, "record.no_report") from None

    def packed(self, name: str) -> bytes:
        """Return all files of a report in one archive.

        Raises
        ------
        Refused
            404 where there is no such report.
        """
        self.report(name)
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in sorted((self._folder / name).iterdir()):
                if path.name != _SHOWN:
                    packed.write(path, f"audit-{name}/{path.name}")
        return buffer.getvalue()

    def _run(
        self,
        progress: Progress,
        name: str,
        who: str,
        keys: Sequence[str],
        *,
        pictures: bool,
        full: bool,
    ) -> None:
        from archiver.records import FILE, AuditRun, Depth
        from archiver.vision import QualityLimits
        from archiver.workflow import AuditRequest, audit

        for left in self._folder.glob("*.part"):
            shutil.rmtree(left, ignore_errors=True)
        site = self._site
        request = AuditRequest(
            tuple(rule_sets()[key] for key in keys),
            AuditRun(site.clock(), who, __version__),
            depth=Depth.PICTURES if pictures else Depth.OBJECTS,
            quality=QualityLimits.changed(site.practice.quality if site.practice else {}),
            memory=self._folder / FILE,
            full=full,
        )
        progress(0, len(site.archive), "record.audit_reading")

        def each(count: int, total: int) -> None:
            progress.check()
            if count == total:
                progress(count, total, "record.audit_judging")
            elif count % _STEP == 0:
                progress(count, total)

        found = audit(site.archive.layout.root, request, progress=each)
        progress.check()
        self._keep(found, name)
        self._forget()
        when, note = request.run.when.isoformat(), "by the pages"
        note_operation(site.archive, Operation(OperationKind.AUDIT, when, True, note))

    def _keep(self, audit: Audit, name: str) -> None:
        """Write a report, whole or not at all."""
        from archiver.records.report import write_report

        part = self._folder / f"{name}.part"
        part.mkdir(mode=0o700)
        try:
            shown = mark_fields(SCHEMA, _shown(write_report(audit, part)))
            (part / _SHOWN).write_text(json.dumps(shown), "utf-8")
            part.rename(self._folder / name)
        finally:
            shutil.rmtree(part, ignore_errors=True)

    def _forget(self) -> None:
        names = sorted(p.name for p in self._folder.iterdir() if _NAME.fullmatch(p.name))
        for name in names[:-_KEPT]:
            shutil.rmtree(self._folder / name, ignore_errors=True)


def _shown(summary: AuditSummary) -> dict[str, Any]:
    """Return what the pages show of a report: of 100,000 findings nobody reads all on a page."""
    left = dict.fromkeys(summary.heads["kinds"], _OF_A_KIND)
    concerns = []
    for one in summary.lists()["concerns"]:
        if left[one["kind"]]:
            left[one["kind"]] -= 1
            concerns.append(one)
    return {**summary.heads, "concerns": concerns}
