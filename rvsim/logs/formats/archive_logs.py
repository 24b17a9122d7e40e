"""Which file of an archive is the log: the only one that is, or the one that is named as `archive.zip/file`.

Knows: how a file in an archive is named, also in an archive in an archive. Does not know formats: it asks whether
something is a log.
"""

from collections.abc import Callable, Iterable

from rvsim.errors import InputError
from rvsim.logs.formats.packings import UnpackError
from rvsim.logs.formats.source import ByteSource
from rvsim.logs.formats.zip_archive import ZipArchive, ZipMember

MAX_MEMBERS = 1000
"""Files of an archive that are searched for a log. Our decision."""
MAX_NAMED = 8
"""Files of an archive that a message names."""


def enter_log(source: ByteSource, name: str, wanted: str, is_log: Callable[[ByteSource], bool]) -> str:
    """Let a source read the log in its archive, if it is one; return the log's whole name.

    Args:
        source: an archive, or a file that is none.
        name: its name.
        wanted: the name of a file in it, empty for the only one that is a log.
        is_log: tells whether what a source reads is a log.

    Raises:
        InputError: there is no such file, or none, or several of them are logs.
    """
    while source.archive is not None:
        archive = source.archive
        member = _named(archive, name, wanted) if wanted else _only_log(source, archive, name, is_log)
        wanted = wanted[len(member.name) + 1 :] if wanted.startswith(f"{member.name}/") else ""
        name = f"{name}/{member.name}"
        _check_readable(member, name)
        try:
            source.enter(archive, member)
        except UnpackError as why:
            raise InputError(f"{name}: {why}") from None
    if wanted:
        raise InputError(f"{name}: not a zip archive, so there is no {wanted} in it: leave /{wanted} out")
    return name


def _only_log(source: ByteSource, archive: ZipArchive, name: str, is_log: Callable[[ByteSource], bool]) -> ZipMember:
    members = archive.members
    if len(members) > MAX_MEMBERS:
        raise InputError(f"{name}: more than {MAX_MEMBERS} files in it: name the log, as in {name}/{members[0].name}")
    if not members:
        about = "cut off before its first file" if archive.is_cut else "without files"
        raise InputError(f"{name}: a zip archive {about}: ask for it again")
    logs = [member for member in members if member.is_readable and _holds_log(source, archive, member, is_log)]
    if len(logs) == 1:
        return logs[0]
    if logs:
        raise InputError(f"{name}: it has {len(logs)} logs: {_names(logs)}: name one, as in {name}/{logs[0].name}")
    if len(members) == 1:
        return members[0]  # whatever is wrong with it is told when it is opened
    locked = [member for member in members if member.is_locked]
    if locked:
        _check_readable(locked[0], f"{name}/{locked[0].name}")
    raise InputError(f"{name}: none of its files is a log of a known format: {_names(members)}")


def _holds_log(
    source: ByteSource, archive: ZipArchive, member: ZipMember, is_log: Callable[[ByteSource], bool]
) -> bool:
    """Tell whether a file is a log, or an archive that has one."""
    try:
        source.enter(archive, member)
    except UnpackError:
        return False
    inner = source.archive
    if inner is None:
        return is_log(source)
    return any(_holds_log(source, inner, each, is_log) for each in inner.members[:MAX_MEMBERS] if each.is_readable)


def _named(archive: ZipArchive, name: str, wanted: str) -> ZipMember:
    """Return the file with a name, or the only one whose name ends in it; or the archive around it."""
    for member in archive.members:
        if wanted == member.name or wanted.startswith(f"{member.name}/"):
            return member
    ending = [member for member in archive.members if member.name.endswith(f"/{wanted}")]
    if len(ending) == 1:
        return ending[0]
    raise InputError(f"{name}/{wanted}: no such file in the archive; it has {_names(archive.members) or 'no files'}")


def _check_readable(member: ZipMember, name: str) -> None:
    if member.is_locked:
        raise InputError(f"{name}: encrypted: unpack it with its password first, then name the log")
    if not member.is_readable:
        raise InputError(
            f"{name}: packed with a method of zip (number {member.method}) that cannot be read: unpack it first"
        )


def _names(members: Iterable[ZipMember]) -> str:
    names = [member.name for member in members]
    more = f" and {len(names) - MAX_NAMED} more" if len(names) > MAX_NAMED else ""
    return ", ".join(names[:MAX_NAMED]) + more
