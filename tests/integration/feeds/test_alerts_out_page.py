"""What docs/feeds/alerts_out.md tells a reader to type, typed: certificates by OpenSSL, a first client."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import yaml

from steadyhead.diagnosis.causes import load_knowledge

from .alerts_bench import verdict
from .conftest import free_port, program
from .feed_bench import until

PAGE = (Path(__file__).parents[3] / "docs" / "feeds" / "alerts_out.md").read_text()


def test_the_commands_of_the_page_lead_to_an_alert_in_a_client(room, tmp_path):
    program("openssl", "openssl")
    makes_ours, makes_theirs = re.findall(r"^    (openssl req .*?)\n\n", PAGE, re.DOTALL | re.MULTILINE)
    script = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)[1]
    settings = yaml.safe_load(re.search(r"```yaml\n(.*?)```", PAGE, re.DOTALL)[1])["alerts_out"]["opcua"]
    config, client, port = tmp_path / "config", tmp_path / "client", free_port()
    for folder in (config / "secrets", config / settings["clients_folder"], client):
        folder.mkdir(parents=True)
    for command, folder in ((makes_ours, config / "secrets"), (makes_theirs, client)):
        subprocess.run(["bash", "-ec", command], cwd=folder, check=True, capture_output=True, timeout=60)
    shutil.copy(client / "display.der", config / settings["clients_folder"])
    files = {name: config / settings[name] for name in ("certificate_file", "key_file", "clients_folder")}
    running = room(opcua={**settings, **files, "host": "127.0.0.1", "port": port})
    running.desk.raised(verdict("elm"))
    (client / "see.py").write_text(script.replace(":4840/", f":{port}/").replace("sleep(60)", "sleep(1)"))

    def told():
        done = subprocess.run(
            [sys.executable, "see.py"], cwd=client, capture_output=True, text=True, timeout=60, check=False
        )
        seen.append(done.stdout + done.stderr[-500:])
        return done.stdout == f"elm: {load_knowledge().entries['drift'].title} | Active | severity 500\n"

    seen = []
    until(told, 60, lambda: seen[-1])
