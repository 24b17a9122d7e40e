"""A controller without a bench: its time goes on by hand, and what it sends and receives is kept."""

import pytest

from rvsim.shakedown.strength.controller_site import ControllerSite


class Site(ControllerSite):
    """A controller whose later frames are kept with their times."""

    def __init__(self, catalogue):  # no bench behind it
        self.catalogue, self.now, self.sent, self.received, self.planned = catalogue, 0, [], [], []

    def spec(self, identifier):
        """The message of a frame."""
        return self.catalogue.by_dgn(identifier >> 8 & 0x3FFFF)

    def send(self, identifier, data):
        """Keep a frame that it sends."""
        self.sent.append((self.now, identifier, data))

    def receive(self, identifier, data):
        """Keep a frame that it receives."""
        self.received.append((self.now, identifier, data))

    def later(self, delay, call):
        """Plan a call."""
        self.planned.append((self.now + delay, call))

    def run(self, until):
        """Call what is planned up to a time."""
        while due := sorted((plan for plan in self.planned if plan[0] <= until), key=lambda plan: plan[0]):
            self.planned.remove(due[0])
            self.now = due[0][0]
            due[0][1]()
        self.now = until


@pytest.fixture
def make_site(catalogue):
    """Make another controller."""
    return lambda: Site(catalogue)


@pytest.fixture
def site(make_site):
    """A controller."""
    return make_site()
