"""Private names of pynetdicom: each is still there, and none is used beside those listed."""

from __future__ import annotations

import ast
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from pynetdicom import AE
from pynetdicom.association import Association, ServiceUser
from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dul import DULServiceProvider
from pynetdicom.fsm import StateMachine
from pynetdicom.transport import AssociationServer, AssociationSocket, RequestHandler

import archiver.network
from archiver.network.pynetdicom_internals import PRIVATE

FOLDER = Path(archiver.network.__file__).parent
#: The classes of ours that replace one of pynetdicom's, by its name.
OURS = {
    "NodeAssociation": "Association",
    "_Association": "Association",
    "NodeDul": "DULServiceProvider",
    "NodeDimse": "DIMSEServiceProvider",
    "NodeStateMachine": "StateMachine",
    "NodeSocket": "AssociationSocket",
    "_Socket": "AssociationSocket",
    "_Entity": "ApplicationEntity",
    "NodeServer": "AssociationServer",
    "Connection": "RequestHandler",
}
LIBRARY = {
    "Association",
    "DULServiceProvider",
    "DIMSEServiceProvider",
    "StateMachine",
    "AssociationSocket",
    "AE",
    "ThreadedAssociationServer",
    "RequestHandler",
}


@pytest.fixture(scope="module")
def plain() -> Iterator[dict[str, object]]:
    """One of each of pynetdicom's own, as it makes them."""
    entity = AE()
    association = Association(entity, "requestor")
    entity.add_supported_context("1.2.840.10008.1.1")
    server = AssociationServer(entity, ("127.0.0.1", 0), "ANY", entity.supported_contexts)
    ours, theirs = socket.socketpair()
    connection = AssociationSocket(association, client_socket=ours)
    yield {
        "Association": association,
        "DULServiceProvider": association.dul,
        "DIMSEServiceProvider": DIMSEServiceProvider(association),
        "StateMachine": StateMachine(association.dul),
        "AssociationSocket": connection,
        "ApplicationEntity": entity,
        "ServiceUser": association.acceptor,
        "AssociationServer": server,
        "RequestHandler": RequestHandler,
    }
    server.server_close()
    ours.close()
    theirs.close()


def test_every_name_is_there(plain: dict[str, object]) -> None:
    assert isinstance(plain["DULServiceProvider"], DULServiceProvider)
    assert isinstance(plain["ServiceUser"], ServiceUser)
    gone = [
        (k, name) for k, names in PRIVATE.items() for name in names if not hasattr(plain[k], name)
    ]
    assert not gone


def test_every_private_name_that_is_used_or_replaced_is_listed(plain: dict[str, object]) -> None:
    found = []
    seen = set()
    for path in sorted(FOLDER.rglob("*.py")):
        for kind in [
            n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.ClassDef)
        ]:
            bases = {base.id for base in kind.bases if isinstance(base, ast.Name)}
            if bases & LIBRARY:
                assert kind.name in OURS, f"{path.name}: {kind.name} replaces a class of pynetdicom"
                seen.add(kind.name)
                theirs = OURS[kind.name]
                used = {n for n in _own(kind) if hasattr(plain[theirs], n)}
                found += [(kind.name, n) for n in used - set(PRIVATE.get(theirs, ()))]
    assert seen == set(OURS)
    assert not found


def _own(kind: ast.ClassDef) -> set[str]:
    """Private names of a class: its methods, and attributes of itself and of what it extends."""
    names = {node.name for node in ast.walk(kind) if isinstance(node, ast.FunctionDef)}
    for node in ast.walk(kind):
        if isinstance(node, ast.Attribute):
            names.add(node.attr)
    return {n for n in names if n.startswith("_") and not n.startswith("__")}


def test_other_modules_leave_private_names_alone() -> None:
    listed = {name for names in PRIVATE.values() for name in names} - {
        "_handlers",
        "_server",
        "_kill",
    }
    found = []
    for path in sorted(FOLDER.rglob("*.py")):
        if path.name == "pynetdicom_internals.py":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Attribute) and node.attr in listed:
                of_itself = isinstance(node.value, ast.Name) and node.value.id in ("self", "plain")
                of_base = isinstance(node.value, ast.Call)
                if not (of_itself or of_base):
                    found.append((path.name, node.lineno, node.attr))
    assert not found
