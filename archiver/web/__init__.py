"""Pages for the browser, served by the node beside DICOMweb.

How a page is added
-------------------
Each room of the pages (``take_in``, ``find``, ``compare``, ``record``, ``entrance``, ``help``) is
a package of ``archiver/web/pages`` whose ``__init__`` has a docstring only and whose module
``pages`` offers::

    def routes(site: Site) -> list[BaseRoute]:
        return [
            site.route("/find", lambda request: show(site, request), may="look"),
            site.route("/find/note", note, methods=["POST"], may="look"),
        ]

``site.route`` is the only way in: it asks for log-in, checks what the role may do (``may`` is a
word of `roles.toml`), checks Origin and the CSRF token of whatever is no GET, and turns errors
into pages (or JSON, where ``Accept`` asks for JSON or the page was called by `call` in
``static/calling.js``). An endpoint is a plain function (run in a thread) or a coroutine; it takes
the Starlette request and returns a Starlette response. Within it:

- ``visitor_of(request)`` (`archiver.web.auth.visitor`): `name`, `roles`, `may("take in")`,
  `address`.
- ``site.page(request, "find/answers.html", found=...)`` renders a template. The template's file is
  ``archiver/web/pages/find/templates/answers.html``; it extends ``"base.html"`` and fills the
  blocks ``title`` and ``main`` (and ``scripts``, for
  ``<script type="module" blocking="render" src="/static/find/x.js">``).
- ``site.answer({...})`` answers JSON. Pages of patients are never cached; that is set for all.
- ``form_of(request)`` gives the fields of a posted form (its hidden field is made by
  ``{{ csrf_field() }}``); ``await json_of(request)`` a JSON body; ``await body_of(request, limit)``
  raw bytes of at most `limit` (all in `archiver.web.bodies`). `call` sends the token by itself.
- ``site.note(request, ACCESSED, studies={study_uid: count}, detail="...")`` writes an audit event
  to the journal: every view, change and download has one. No name, no patient's identifier, no
  file name in `detail`.
- ``raise Refused(404, "words.key")`` (`archiver.web.http_errors`) ends in a page of that status;
  an `ArchiverError` in a page that tells its problems.
- ``site.archive`` (open for writing), ``site.settings``, ``site.practice``, ``site.clock()``,
  ``site.folder("drafts")`` (a folder of our own in the archive's folder, made when missing).
- ``site.tasks.start(visitor_of(request), work)`` runs long work in a thread and returns its id;
  see `archiver.web.tasks`; ``static/task.js`` follows and cancels it.

Words: every visible text stands in ``archiver/wording/words/en/pages.toml``, a table for each room:
``t("find.title")`` in templates, ``t(...)`` of ``static/words.js`` in modules, ``site.t(...)`` in
Python. ``t("find.count", n=3)`` fills ``{n}`` and chooses between one and more. The same keys stand
in ``words/de``; a `Text` or a `Problem` is put in words by `archiver.web.language.in_words`.

Static files: ``archiver/web/static/x.js`` is ``/static/x.js``, and
``archiver/web/pages/find/static/x.js`` is ``/static/find/x.js``. Script and style are files (never
inline, not even ``style=""``); nothing comes from elsewhere. Colours, sizes and shapes come from
the custom properties of ``base.css``.
Icons are files of ``static/icons/`` drawn by ``{{ icon("search") }}``.

Pictures: ``/picture/{sop_instance_uid}?side=512`` is any instance in display orientation.
``{% from "picture.html" import picture %}{{ picture(label) }}`` draws one with its letters, tooth,
date and whether its side is confirmed; ``site.pictures.label(record)`` makes the label;
``drawPicture`` of ``static/picture.js`` draws the same from the label's ``to_json()``.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
