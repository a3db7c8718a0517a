"""The project file: `stager.toml` into a frozen `Project`, or a `ConfigError` that names each line that is wrong."""

from stager.project.faults import Fault
from stager.project.load import PluginReader, PluginsRead, load_project
from stager.project.places import PROJECT_FILE, STATE_FOLDER, Places, is_within
from stager.project.project import Project, StemSettings
from stager.project.schema import project_schema
from stager.project.settings import (
    BusSettings,
    CopySettings,
    FindingCode,
    Link,
    Plugin,
    ProjectSettings,
    RecordingSettings,
    Role,
    Settings,
    Step,
    TargetChanges,
)
from stager.project.template import NewProject, new_project_text

__all__ = [
    "PROJECT_FILE",
    "STATE_FOLDER",
    "BusSettings",
    "CopySettings",
    "Fault",
    "FindingCode",
    "Link",
    "NewProject",
    "Places",
    "Plugin",
    "PluginReader",
    "PluginsRead",
    "Project",
    "ProjectSettings",
    "RecordingSettings",
    "Role",
    "Settings",
    "StemSettings",
    "Step",
    "TargetChanges",
    "is_within",
    "load_project",
    "new_project_text",
    "project_schema",
]
