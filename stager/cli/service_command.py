"""`stager service print`: prints what a system needs to start a watch at log-in, with this machine's paths."""

import os
import sys
from pathlib import Path
from shutil import which
from typing import Final
from xml.sax.saxutils import escape

from stager.cli.exits import Exit, ServiceKind
from stager.errors import ConfigError

LABEL: Final = "local.stager"
OPEN_FILES: Final = 8_192
"""Soft limit of descriptors: a few for each project that is watched (own figure; Linux gives 1,024, macOS 256)."""
NICE: Final = 10
"""The recorder comes first."""

SYSTEMD: Final = """\
# Save as ~/.config/systemd/user/stager.service, then: systemctl --user enable --now stager
# What it reports: journalctl --user -u stager
[Unit]
Description=Stage stems as they are bounced

[Service]
ExecStart={line}
Restart=on-failure
RestartSec=5
# Nothing could run: a folder is missing or a setting is wrong. Starting again would not mend it.
RestartPreventExitStatus=2
Nice={nice}
LimitNOFILE={files}

[Install]
WantedBy=default.target
"""

LAUNCHD: Final = """\
<?xml version="1.0" encoding="UTF-8"?>
<!-- Save as ~/Library/LaunchAgents/{label}.plist, then: launchctl load ~/Library/LaunchAgents/{label}.plist -->
<!-- launchd can't tell one failure from another, so the shell makes exit status 2 (nothing could run) a clean end. -->
<!DOCTYPE plist PUBLIC "-//Apple//DTD PLIST 1.0//EN" "http://www.apple.com/DTDs/PropertyList-1.0.dtd">
<plist version="1.0"><dict>
  <key>Label</key><string>{label}</string>
  <key>ProgramArguments</key><array>
    <string>/bin/sh</string><string>-c</string><string>{script}</string>
{arguments}
  </array>
  <key>RunAtLoad</key><true/>
  <key>KeepAlive</key><dict><key>SuccessfulExit</key><false/></dict>
  <key>ThrottleInterval</key><integer>10</integer>
  <key>Nice</key><integer>{nice}</integer>
  <key>SoftResourceLimits</key><dict><key>NumberOfFiles</key><integer>{files}</integer></dict>
  <key>StandardErrorPath</key><string>{log}</string>
</dict></plist>
"""
UNLESS_NOTHING_RAN: Final = (
    '"$0" "$@" & child=$!; trap "kill -TERM $child" TERM INT; wait $child; status=$?; '
    "while kill -0 $child 2>/dev/null; do wait $child; status=$?; done; [ $status -eq 2 ] && exit 0; exit $status"
)
"""A line for /bin/sh: runs a command, passes SIGTERM on, and ends with 0 where the command ended with 2."""

WINDOWS: Final = """\
<?xml version="1.0"?>
<!-- Save as stager.xml, then: schtasks /create /tn stager /xml stager.xml -->
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo><Description>Stage stems as they are bounced</Description></RegistrationInfo>
  <Triggers><LogonTrigger><Enabled>true</Enabled></LogonTrigger></Triggers>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <Priority>7</Priority>
    <RestartOnFailure><Interval>PT1M</Interval><Count>3</Count></RestartOnFailure>
  </Settings>
  <Actions><Exec><Command>{command}</Command><Arguments>{arguments}</Arguments></Exec></Actions>
</Task>
"""


def run(*, kind: ServiceKind, folder: Path) -> Exit:
    """Print the service file of one kind of system, for the songs in a folder."""
    songs = folder.expanduser().absolute()
    if not songs.is_dir():
        raise ConfigError(f"expected the folder that holds your songs, found no folder at {songs}")
    words = [str(_command()), "watch", "--discover", str(songs), "--log", "json"]
    if any(not word.isprintable() for word in words):
        raise ConfigError(f"expected a path of printable characters, found {songs!s:.80}")
    print({"systemd": _systemd, "launchd": _launchd, "windows": _windows}[kind.value](words), end="")
    return Exit.DONE


def _command() -> Path:
    """Return where `stager` stands: as it was called, else on the search path, else beside this Python."""
    called = Path(sys.argv[0])
    if called.stem == "stager" and os.access(called, os.X_OK) and called.is_file():
        return called.absolute()
    found = which("stager")
    return Path(found).absolute() if found else Path(sys.executable).with_name("stager")


def _systemd(words: list[str]) -> str:
    """Return a unit; systemd.service(5) quotes as C does, and gives `%` and `$` meanings that doubling takes away."""
    line = " ".join('"' + _c_quoted(word).replace("%", "%%").replace("$", "$$") + '"' for word in words)
    return SYSTEMD.format(line=line, nice=NICE, files=OPEN_FILES)


def _c_quoted(word: str) -> str:
    return word.replace("\\", "\\\\").replace('"', '\\"')


def _launchd(words: list[str]) -> str:
    """Return a launch agent, as launchd.plist(5) describes it."""
    arguments = "\n".join(f"    <string>{escape(word)}</string>" for word in words)
    log = str(Path.home() / "Library" / "Logs" / "stager.log")
    return LAUNCHD.format(
        label=LABEL,
        script=escape(UNLESS_NOTHING_RAN),
        arguments=arguments,
        nice=NICE,
        files=OPEN_FILES,
        log=escape(log),
    )


def _windows(words: list[str]) -> str:
    """Return a task, in the Task Scheduler's schema 1.2; a quoted path may not end in a backslash there."""
    command, *rest = words
    arguments = " ".join(f'"{_before_a_quote(word)}"' if " " in word or "\\" in word else word for word in rest)
    return WINDOWS.format(command=escape(command), arguments=escape(arguments))


def _before_a_quote(word: str) -> str:
    """Return the word with backslashes at its end doubled: before a quote, one would take the quote's meaning."""
    bare = word.rstrip("\\")
    return bare + "\\" * (2 * (len(word) - len(bare)))
