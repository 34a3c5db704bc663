"""Learning from archived readings, as an explicit act."""

from __future__ import annotations

from steadyhead import service
from steadyhead.archive.archive import Archive
from steadyhead.config import Registry
from steadyhead.errors import LearningError
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.views import Learned
from steadyhead.profile.learn import learn
from steadyhead.report.learned import changed_facts, learned_facts, withheld_facts
from steadyhead.store.profiles import save_profile


def learned_from(
    archive: Archive, registry: Registry, files: ProfileFiles, station: str, from_s: int, to_s: int
) -> Learned:
    """Learn a station from its archived readings in [from_s, to_s) and put the profile in use.

    The profile it replaces is kept. Raises LearningError if there is too little, ArchiveError if the archive
    cannot be read, OutputError if the profile cannot be written; the old one is then still in use.
    """
    if to_s <= from_s:
        raise LearningError(f"{station}: there are no readings in that span; give another one")
    readings = archive.read(station, from_s, to_s)
    profile = learn(readings, service.known(registry.stations[station], registry.settings))
    replaced = save_profile(files.folder, profile)
    units = registry.settings.units
    return Learned(
        profile=profile,
        replaced=replaced,
        facts=tuple(learned_facts(profile, units)),
        withheld=tuple(withheld_facts(profile)),
        changes=() if replaced is None else tuple(changed_facts(replaced, profile, units)),
    )
