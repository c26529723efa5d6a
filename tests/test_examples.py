"""The timer examples of DEVELOPERS.md: read as their own tools read them, and run as far as a machine without them can."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
GUIDE = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")
FIELD = re.compile(r"(\*|\d+(-\d+)?)(/\d+)?(,(\*|\d+(-\d+)?)(/\d+)?)*")  # POSIX crontab, with the usual steps


def block(language, containing):
    """The one fenced block of the guide in `language` that contains a text."""
    found = [text for text in re.findall(rf"```{language}\n(.*?)```", GUIDE, re.DOTALL) if containing in text]
    assert len(found) == 1, f"{len(found)} blocks of {language} with {containing!r}"
    return found[0]


def run_example(command, tmp_path, environment):
    """Run an example's command on an inbox of its own, the package found by path, nothing else in the environment."""
    inbox, reports = tmp_path / "inbox", tmp_path / "reports"
    delivery = inbox / "spring"
    delivery.mkdir(parents=True)
    reports.mkdir()
    for view in ("front", "back"):
        shutil.copy(REPOSITORY / "data_demo" / "small" / f"AL-2101-CRM_{view}.jpg", delivery)
    (delivery / "complete").touch()
    program = tmp_path / "catalogue-audit"
    program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m catalogue_audit "$@"\n')
    program.chmod(0o755)
    for name, place in {
        "/opt/catalogue-audit/bin/catalogue-audit": program,
        "/var/log/catalogue-audit.log": tmp_path / "log.txt",
        "/srv/inbox": inbox,
        "/srv/reports": reports,
    }.items():
        command = command.replace(name, shlex.quote(str(place)))
    done = subprocess.run(
        ["/bin/sh", "-c", f"{command} --tables-only"], env=environment, cwd="/", capture_output=True, text=True, timeout=300
    )
    return done, reports


def test_the_cron_line_has_five_fields_and_its_command_works_with_what_cron_gives(tmp_path):
    line = block("cron", "scheduled").strip()
    fields = line.split(None, 5)
    assert all(FIELD.fullmatch(field) for field in fields[:5])
    redirected = re.fullmatch(r"(?P<command>.*) >> (?P<log>\S+) 2>&1", fields[5])
    assert redirected, "the example keeps what the command says"
    # crontab(5): SHELL is /bin/sh, LOGNAME and HOME come from the user, nearly nothing else does
    done, reports = run_example(redirected["command"], tmp_path, {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "LOGNAME": "x"})
    assert done.returncode in (0, 1), done.stderr
    assert (reports / "index.html").is_file()


def test_the_service_starts_what_works_without_a_home(tmp_path):
    unit = block("ini", "ExecStart=")
    command = re.search(r"^ExecStart=(.*)$", unit, re.MULTILINE)[1]
    cache = tmp_path / "cache"
    cache.mkdir()
    done, reports = run_example(command, tmp_path, {"PATH": "/usr/bin:/bin", "MPLCONFIGDIR": str(cache)})
    assert str(done.returncode) in ("0", *re.search(r"^SuccessExitStatus=(.*)$", unit, re.MULTILINE)[1].split()), done.stderr
    assert (reports / "index.html").is_file()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not here to read the units")
def test_systemd_reads_service_and_timer_without_a_complaint(tmp_path):
    service = block("ini", "ExecStart=").replace("/opt/catalogue-audit/bin/catalogue-audit", sys.executable)
    (tmp_path / "catalogue-audit.service").write_text(service)
    (tmp_path / "catalogue-audit.timer").write_text(block("ini", "[Timer]"))
    units = [str(tmp_path / name) for name in ("catalogue-audit.service", "catalogue-audit.timer")]
    done = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", *units],
        env=os.environ | {"SYSTEMD_UNIT_PATH": f"{tmp_path}:"}, capture_output=True, text=True, timeout=60,
    )
    said = [line for line in done.stderr.splitlines() if "catalogue-audit" in line]
    assert not said
    # a line it does not know is what it must be able to complain of
    (tmp_path / "catalogue-audit.service").write_text(service.replace("Type=oneshot", "Typo=oneshot"))
    done = subprocess.run(["systemd-analyze", "verify", *units], capture_output=True, text=True, timeout=60)
    assert "Typo" in done.stderr


def test_the_container_copies_and_installs_what_is_there():
    image = block("dockerfile", "FROM")
    lines = dict(line.split(" ", 1) for line in image.splitlines() if line)
    assert lines["COPY"].split()[0] == "." and lines["WORKDIR"] == lines["COPY"].split()[1]
    assert (REPOSITORY / lines["RUN"].split("-r ")[1]).is_file()
    assert lines["ENTRYPOINT"] == '["python", "-m", "catalogue_audit"]'
    started = block("sh", "docker run")
    assert "--network none" in started and "/inbox:ro" in started
    assert re.search(r"catalogue-audit scheduled /inbox --out /reports", started)
