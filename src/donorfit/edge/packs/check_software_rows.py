"""Advice on software that replaces software: where a row of blocks begins nowhere or ends early.

None of it is a mistake: cars come from their maker with software that no block of the pack brings,
and a way up with its way back is a circle by nature. But a block that can never be loaded, or a
version from which nothing goes on, is mostly a line of ``replaces`` that was forgotten.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.edge.packs.unit_shapes import SoftwareShape, UnitShape
from donorfit.vehicle.identity import SoftwareVersion


@dataclass(frozen=True, slots=True, kw_only=True)
class _Link:
    """One block as far as rows ask.

    Attributes:
        brings: its version.
        over: versions that it may replace; empty where any.
        shape: the block in the file.
    """

    brings: SoftwareVersion
    over: frozenset[SoftwareVersion]
    shape: SoftwareShape


def check_software_rows(file: str, unit: UnitShape, notes: PackNotes) -> None:
    """Warn of blocks that nothing leads to, and of versions that nothing leads on from."""
    links = [
        _Link(
            brings=SoftwareVersion.parse(each.version),
            over=frozenset(map(SoftwareVersion.parse, each.replaces)),
            shape=each,
        )
        for each in unit.software
    ]
    for each in links:
        if each.brings in each.over:
            what = f"{unit.id}, software {each.brings} names itself in replaces"
            next_step = "take it out: a plan never loads what is there"
            notes.warn(file, each.shape.get_line("replaces"), what, next_step)
        _warn_if_nothing_leads_there(file, unit, each, links, notes)
    ends: dict[str, tuple[_Link, list[str]]] = {}
    for hardware in dict.fromkeys(text for each in unit.software for text in each.hardware):
        own = [each for each in links if hardware in each.shape.hardware]
        for end, said in _list_ends(own):
            ends.setdefault(said, (end, []))[1].append(hardware)
    for said, (end, fitting) in ends.items():
        what = f"{unit.id}, hardware {', '.join(fitting)}: {said}"
        next_step = "if a newer block may go over it, name it in that block's replaces"
        notes.warn(file, end.shape.get_line("version"), what, next_step)


def _warn_if_nothing_leads_there(
    file: str, unit: UnitShape, link: _Link, links: list[_Link], notes: PackNotes
) -> None:
    """Where every version that a block replaces is brought, but never to the block's hardware."""
    sources = [each for each in links if each.brings in link.over]
    if {each.brings for each in sources} != link.over:
        return
    for hardware in link.shape.hardware if link.over else ():
        if any(hardware in each.shape.hardware for each in sources):
            continue
        others = sorted({text for each in sources for text in each.shape.hardware})
        what = (
            f"{unit.id}, software {link.brings}: on hardware {hardware} nothing leads to it, "
            f"since {_word(link.over)} comes to {', '.join(others)} only"
        )
        next_step = "correct hardware or replaces, unless units come with it from their maker"
        notes.warn(file, link.shape.get_line("replaces"), what, next_step)


def _list_ends(links: list[_Link]) -> Iterator[tuple[_Link, str]]:
    """Versions of one hardware that nothing leads on from, though there is newer software."""
    newest = max(each.brings for each in links)
    over_any = max((each.brings for each in links if not each.over), default=None)
    ups: dict[SoftwareVersion, set[SoftwareVersion]] = {}
    downs: dict[SoftwareVersion, set[SoftwareVersion]] = {}
    for each in links:
        for version in each.over:
            side = ups if version < each.brings else downs
            side.setdefault(version, set()).add(each.brings)
    for end in {each.brings: each for each in links}.values():
        version = end.brings
        ends = version < newest and version not in ups
        if not ends or (over_any is not None and version < over_any):
            continue
        said = f"no block leads from {version} on to {newest}"
        below = downs.get(version, set()) - {version}
        circle = {each for each in below if ups.get(each) == {version}}
        if circle:
            said += f"; {_word(circle)} and {version} only lead to each other"
        elif below:
            said += f", only back to {_word(below)}"
        yield end, said


def _word(versions: Iterable[SoftwareVersion]) -> str:
    return ", ".join(map(str, sorted(versions)))
