"""Long work: done in a thread, followed by server-sent events, cancelled by whose it is.

The work is a function that takes a `Progress` and returns what JSON can hold::

    def work(progress: Progress) -> object:
        for n, one in enumerate(many):
            progress(n, len(many), "taking.storing")     # raises Cancelled when asked to stop
            ...
        return {"where": "/record/report/7"}

    task = site.tasks.start(visitor_of(request), work)
    return site.answer({"task": task.id})

The browser follows ``/tasks/{id}/events`` (``static/task.js``); a stream ends by itself after a
while and the browser comes back, so that stopping the server never waits for an open page.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from contextvars import copy_context
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute

from archiver.errors import ArchiverError
from archiver.web.auth.visitor import Visitor, visitor_of
from archiver.web.change_feed import ChangeFeed
from archiver.web.http_errors import Refused
from archiver.web.language import in_words

if TYPE_CHECKING:
    from archiver.web.site_context import SiteContext

RUNNING, DONE, FAILED, CANCELLED = "running", "done", "failed", "cancelled"
#: Work of one person at one time, and tasks that are remembered.
_OF_ONE, _REMEMBERED = 4, 200


class Cancelled(Exception):
    """The person who had started the work does not want it any more."""


class Task(ChangeFeed):
    """One piece of long work.

    Parameters
    ----------
    others
        Right of those who may follow and cancel it beside who started it; empty for nobody.
    """

    def __init__(self, owner: str, others: str = "") -> None:
        super().__init__()
        self.others = others
        self.id = secrets.token_urlsafe(16)
        self.owner = owner
        self.state = RUNNING
        self.done = 0
        self.total = 0
        self.words = ""
        self.problems: list[str] = []
        self.result: Any = None
        self.cancelled = threading.Event()
        self.ended = threading.Event()

    def snapshot(self) -> dict[str, Any]:
        """Return how it stands, as values that JSON has."""
        return {
            "state": self.state,
            "done": self.done,
            "total": self.total,
            "words": self.words,
            "problems": self.problems,
            "result": self.result,
        }


class Progress:
    """Told by the work how far it is; stops the work where that is wished."""

    def __init__(self, task: Task, words: Callable[..., str]) -> None:
        self._task, self._words = task, words

    def __call__(self, done: int, total: int, key: str = "", **values: object) -> None:
        """Tell how far the work is.

        Parameters
        ----------
        key
            Of the words that tell what is being done; the same as before where empty.

        Raises
        ------
        Cancelled
            If the work is not wanted any more.
        """
        self.check()
        self._task.done, self._task.total = done, total
        if key:
            self._task.words = self._words(key, **values)
        self._task.changed()

    def check(self) -> None:
        """Stop here if the work is not wanted any more.

        Raises
        ------
        Cancelled
            If it is not.
        """
        if self._task.cancelled.is_set():
            raise Cancelled


Work = Callable[[Progress], Any]


class Tasks:
    """All long work of a server."""

    def __init__(self, site: SiteContext) -> None:
        self._site = site
        self._tasks: dict[str, Task] = {}
        self._guard = threading.Lock()
        self._closing = False

    def start(self, visitor: Visitor, work: Work, others: str = "") -> Task:
        """Begin work in a thread of its own; of `others` see `Task`.

        Raises
        ------
        Refused
            429 where the person has much work going on already.
        """
        task = Task(visitor.name, others)
        with self._guard:
            mine = [t for t in self._tasks.values() if t.owner == task.owner]
            if sum(t.state == RUNNING for t in mine) >= _OF_ONE:
                raise Refused(429, "errors.busy", {"Retry-After": "10"})
            for old in [t for t in self._tasks.values() if t.state != RUNNING]:
                if len(self._tasks) < _REMEMBERED:
                    break
                del self._tasks[old.id]
            self._tasks[task.id] = task
        if self._closing:
            task.cancelled.set()
        # The work tells in the language of whoever began it.
        run = copy_context().run
        threading.Thread(
            target=run, args=(self._run, task, work), name="long work", daemon=True
        ).start()
        return task

    def of(self, request: Request) -> Task:
        """Return the task that a path names.

        Raises
        ------
        Refused
            404 where there is none, or it is somebody else's and not for others.
        """
        task, visitor = self._tasks.get(str(request.path_params["task"])), visitor_of(request)
        theirs = task is not None and bool(task.others) and visitor.may(task.others)
        if task is None or (task.owner != visitor.name and not theirs):
            raise Refused(404, "errors.missing")
        return task

    def close(self, seconds: float = 10.0) -> None:
        """Ask all work to stop and wait for it."""
        self._closing = True
        until = time.monotonic() + seconds
        for task in list(self._tasks.values()):
            task.cancelled.set()
            task.changed()
        for task in list(self._tasks.values()):
            task.ended.wait(max(0.0, until - time.monotonic()))

    def routes(self) -> list[BaseRoute]:
        """Return the routes by which the browser follows and cancels."""
        return [
            self._site.route("/tasks/{task}", self._state),
            self._site.route("/tasks/{task}/events", self._events),
            self._site.route("/tasks/{task}/cancel", self._cancel, methods=["POST"]),
        ]

    def _run(self, task: Task, work: Work) -> None:
        try:
            task.result = work(Progress(task, self._site.t))
            task.state = DONE
        except Cancelled:
            task.state = CANCELLED
        except ArchiverError as error:
            task.problems = [in_words(problem) for problem in error.problems]
            task.state = FAILED
        except Exception as error:
            # What nobody expected is told as such; its text may hold what it should not.
            task.problems = [self._site.t("errors.unexpected")]
            task.state = FAILED
            self._site.log_failure(error)
        finally:
            task.ended.set()
            task.changed()

    def _state(self, request: Request) -> Response:
        return self._site.answer(self.of(request).snapshot())

    def _cancel(self, request: Request) -> Response:
        task = self.of(request)
        task.cancelled.set()
        task.changed()
        return self._site.answer(task.snapshot())

    async def _events(self, request: Request) -> Response:
        task = self.of(request)
        told = task.stream(task.snapshot, lambda: self._closing or task.ended.is_set())
        return StreamingResponse(told, media_type="text/event-stream")
