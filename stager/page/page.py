"""The recording-room page beside a watch: starts it, passes changes on to it, stops it."""

from collections.abc import Callable, Sequence

from stager.page.address import PageOptions, place_for
from stager.page.hub import Hub
from stager.page.server import Server
from stager.page.site import site
from stager.page.songs import Songs
from stager.project import Project


class Page:
    """Serves the songs of a watch, for reading only. Its errors go to `say`; no method raises one.

    `found` returns the projects there are beside those named; it is called while a page is open.
    """

    def __init__(
        self,
        projects: Sequence[Project],
        options: PageOptions,
        say: Callable[[str], None],
        found: Callable[[], Sequence[Project]] = lambda: (),
    ) -> None:
        """Bind the address.

        Raises:
            ConfigError: where the token is too short or the address can't be had.
        """
        place = place_for(options)
        self.address, self.is_local = place.address, place.is_local
        self._songs = Songs(projects, found)
        self._hub = Hub(self._songs)
        self._server = Server(site(self._hub, place.names, place.token), self._hub, [place.listening], say)

    def start(self) -> None:
        """Begin to serve."""
        self._server.start()

    def stir(self, project: Project) -> None:
        """Note that something changed in a project; returns at once."""
        self._songs.heard(project)
        self._server.call(self._hub.stir)

    def stop(self) -> None:
        """Stop serving; returns once it has stopped."""
        self._server.stop()
