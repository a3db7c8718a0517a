"""The tree of tests mirrors the package: where a file's own tests stand, without a search."""

from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parent
PACKAGE: Final = ROOT.parent / "stager"
BESIDE: Final = {"outside", "roundtrip", "standards", "golden", "browser", "prove", "bench", "support"}
"""Folders that hold what no single file of the package answers for."""
WITHOUT_A_FILE: Final = {
    "test_layers.py": "the house",
    "test_mirror.py": "this table",
    "test_style.py": "the style bar",
    "meters/test_edge_signals.py": "all meters on the shortest and oddest signals",
    "page/test_assets.py": "style sheet and script of the page",
    "staging/test_unexpected.py": "an unexpected error at every place of a stem's way",
    "verify/test_one_bit.py": "the whole proof against one bit turned over",
}
TESTED_IN: Final = {
    "cli/allow_command.py": "outside/test_edits.py",
    "cli/edit.py": "outside/test_edits.py",
    "cli/lift_command.py": "outside/test_lift.py",
    "cli/link_command.py": "outside/test_edits.py",
    "cli/proposed_roles.py": "outside/test_first_steps.py",
    "project/edit.py": "outside/test_edits.py",
    "system/error_log.py": "staging/test_unexpected.py",
    "analysis/level_panel.py": "analysis/test_panel.py",
    "analysis/takes.py": "outside/test_takes.py",
    "api.py": "outside/test_explain.py",
    "cli/check_command.py": "outside/test_check_command.py",
    "cli/cluster_command.py": "outside/test_cluster.py",
    "cli/demo_command.py": "outside/test_commands.py",
    "cli/compiling.py": "outside/test_progress.py",
    "cli/exits.py": "cli/test_app.py",
    "cli/extras.py": "cli/test_app.py",
    "cli/options.py": "cli/test_app.py",
    "cli/service_command.py": "outside/test_service.py",
    "cli/explain_command.py": "outside/test_explain.py",
    "cli/measure_command.py": "outside/test_measured_levels.py",
    "cli/mix_command.py": "outside/test_mix_command.py",
    "cli/new_command.py": "outside/test_commands.py",
    "cli/new_from_command.py": "outside/test_first_steps.py",
    "cli/pack_command.py": "outside/test_pack.py",
    "cli/page_command.py": "outside/test_page.py",
    "cli/schema_command.py": "outside/test_commands.py",
    "cli/set_check.py": "outside/test_report_set.py",
    "cli/stage_command.py": "outside/test_copies.py",
    "cli/steps_command.py": "outside/test_plugin_package.py",
    "cli/verify_command.py": "roundtrip/test_verify_command.py",
    "cli/streams.py": "cli/test_app.py",
    "cli/watch_command.py": "outside/test_watch.py",
    "containers/copying.py": "containers/test_writing.py",
    "demo/check.py": "outside/test_commands.py",
    "demo/show.py": "outside/test_commands.py",
    "detectors/clipping_loops.py": "detectors/test_clipping.py",
    "detectors/decimation.py": "detectors/test_mains_lines.py",
    "detectors/dropout_loops.py": "detectors/test_dropouts.py",
    "detectors/repeat_loops.py": "detectors/test_repeats.py",
    "judge/own_rule.py": "outside/test_own_words.py",
    "meters/hops.py": "meters/test_average.py",
    "meters/lanes.py": "meters/test_peak.py",
    "model/bus.py": "model/test_base.py",
    "model/check.py": "model/test_base.py",
    "model/damage.py": "judge/test_damage.py",
    "model/mix.py": "judge/test_mix.py",
    "model/pairs.py": "judge/test_pairs.py",
    "model/plugin.py": "plugins/test_projects.py",
    "model/run_summary.py": "model/test_runs.py",
    "model/words.py": "judge/test_sentences.py",
    "page/site.py": "page/test_server.py",
    "model/pack.py": "outside/test_pack.py",
    "pack/documents.py": "outside/test_pack.py",
    "pack/place.py": "outside/test_pack.py",
    "pack/plan.py": "outside/test_pack.py",
    "pack/write.py": "outside/test_pack.py",
    "plugins/catalogue.py": "plugins/test_projects.py",
    "plugins/describing.py": "outside/test_plugin_package.py",
    "plugins/groups.py": "plugins/test_projects.py",
    "plugins/isolation.py": "plugins/test_chain.py",
    "plugins/kinds.py": "plugins/test_chain.py",
    "plugins/opinions.py": "plugins/test_chain.py",
    "plugins/packing.py": "plugins/test_chain.py",
    "plugins/reblock.py": "plugins/test_chain.py",
    "plugins/schema.py": "plugins/test_projects.py",
    "plugins/wire.py": "plugins/test_chain.py",
    "plugins/worker.py": "plugins/test_chain.py",
    "report/html_view.py": "report/test_html.py",
    "report/publish.py": "outside/test_report.py",
    "staging/interrupted.py": "outside/test_interrupted.py",
    "staging/documents.py": "outside/test_own_reports.py",
    "report/set_text.py": "outside/test_check_command.py",
    "songset/bus_offset.py": "outside/test_bus_apply.py",
    "songset/examine.py": "watch/test_set_watch.py",
    "songset/gather.py": "songset/test_plugin_findings.py",
    "songset/pairs/align.py": "songset/pairs/test_comparing.py",
    "songset/pairs/drift_search.py": "songset/pairs/test_drift.py",
    "songset/pairs/driven.py": "songset/pairs/test_room.py",
    "songset/pairs/whole_set.py": "songset/pairs/test_candidates.py",
    "songset/preview.py": "outside/test_check_steps.py",
    "staging/bus_offset.py": "outside/test_bus_apply.py",
    "staging/copy_spec.py": "staging/test_render.py",
    "staging/queue.py": "staging/test_batch.py",
    "staging/state.py": "staging/test_publish.py",
    "staging/stem.py": "staging/test_prepare.py",
    "staging/steps.py": "staging/test_prepare.py",
    "system/version.py": "outside/test_commands.py",
    "songset/bus/rendering.py": "outside/test_pack.py",
    "system/folders.py": "outside/test_pack.py",
    "verify/pack_files.py": "outside/test_pack.py",
    "verify/packs.py": "outside/test_pack.py",
    "verify/stepped.py": "outside/test_steps.py",
    "watch/listeners.py": "watch/test_supervisor.py",
    "watch/open_project.py": "watch/test_supervisor.py",
    "watch/resources.py": "watch/test_supervisor.py",
    "watch/scheduler.py": "watch/test_supervisor.py",
    "watch/takes_watch.py": "outside/test_takes.py",
}
"""Files whose tests stand elsewhere: loops beside their meter, commands as a user has them, parts of one mechanism."""


def modules() -> set[str]:
    """Return every file of the package that holds code, by its path."""
    found = {path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py") if path.name[:2] != "__"}
    return {path.as_posix() for path in found}


def mirrored() -> dict[str, str]:
    """Return the path of each file of tests by the file of the package that it would belong to."""
    found = (path.relative_to(ROOT) for path in ROOT.rglob("test_*.py"))
    kept = (path for path in found if path.parts[0] not in BESIDE)
    return {path.with_name(path.name.removeprefix("test_")).as_posix(): path.as_posix() for path in kept}


def test_every_file_has_its_tests() -> None:
    """`stager/x/y.py` is tested in `tests/x/test_y.py`, or where the table says."""
    assert modules() - set(mirrored()) - set(TESTED_IN) == set()


def test_every_file_of_tests_has_its_file() -> None:
    """`tests/x/test_y.py` goes with `stager/x/y.py`, or the table says what it holds."""
    lost = {test for module, test in mirrored().items() if module not in modules()}
    assert lost == set(WITHOUT_A_FILE)


def test_the_table_is_true() -> None:
    """No entry for what has tests of its own or is gone, and each names tests that are there."""
    assert set(TESTED_IN) - (modules() - set(mirrored())) == set()
    assert {test for test in TESTED_IN.values() if not (ROOT / test).is_file()} == set()
