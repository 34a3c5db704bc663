"""A service without its pages, reading feeds, to be killed at any moment.

Settings and registry are its words.
"""

import sys
import time
from pathlib import Path

from steadyhead.config import load_registry
from steadyhead.live.room import open_room
from steadyhead.live.settings import load_settings

room = open_room(load_settings(Path(sys.argv[1])), load_registry(Path(sys.argv[2])))
room.start()
sys.stdout.write("started\n")
sys.stdout.flush()
while True:
    time.sleep(0.1)
