"""The entries of the built-in steps, by which they are listed and checked, against their classes."""

from importlib.metadata import entry_points

from stager.plugins.catalogue import named
from stager.plugins.describing import description, own_plugin
from stager.plugins.effects.settings import OWN_STEPS
from stager.plugins.groups import GROUPS


def test_every_built_in_step_has_its_entry() -> None:
    """Those that the package announces are those in the table; it announces nothing but steps."""
    announced = [one for group in GROUPS for one in entry_points(group=group) if one.dist and one.dist.name == "stager"]
    assert sorted(one.name for one in announced) == sorted(OWN_STEPS)
    assert {one.group for one in announced} == {"stager.steps"}


def test_each_entry_describes_its_class() -> None:
    """Name, settings, first line and process: as the class itself would be described."""
    for name, step in OWN_STEPS.items():
        (found,) = named("stager.steps", name)
        plugin = own_plugin(found.source)
        assert step.description(name) == description(plugin)
        assert plugin.settings is step.settings
