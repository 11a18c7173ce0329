"""The files of lines in which statements are kept, by their names in the archive's folder."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from archiver.archive.statements import (
    consents,
    handover_register,
    operations,
    same_person_log,
    settings_log,
)
from archiver.archive.store.schema import Fields, Schema

STATEMENT_LOGS: Mapping[str, Schema[Fields]] = MappingProxyType(
    {
        one.FILE: one.SCHEMA
        for one in (consents, handover_register, same_person_log, operations, settings_log)
    }
)
