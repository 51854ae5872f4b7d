"""The same rules on a cluster: every chunk a submission, run by processes the engine did not start itself."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.model.status import STAGES
from tests.unit.batch.toy_line import add_job, digests, ran, run, toy_house

PLUGIN = Path(sys.prefix) / "slurm-plugin"  # apart from the rest: every start of the engine would load it
CONF = Path("/etc/slurm/slurm.conf")
JOBS = ("ash", "beech", "cedar", "fir")

_SUBMIT = """#!/bin/bash
# A scheduler of the simplest kind: runs the job script as a process of its own, and answers with an id.
spool={spool}; mkdir -p $spool; id=$(date +%s%N)$$
( setsid bash "$1" > $spool/$id.out 2>&1; echo $? > $spool/$id.rc ) < /dev/null > /dev/null 2>&1 &
echo $id
"""
_STATUS = """#!/bin/bash
spool={spool}
if [ -f $spool/$1.rc ]; then [ "$(cat $spool/$1.rc)" = 0 ] && echo success || echo failed; else echo running; fi
"""


@pytest.fixture
def queue(tmp_path):
    for name in JOBS:
        add_job(tmp_path / "queue", name)
    return tmp_path / "queue"


def _profile(folder: Path, **settings: object) -> Path:
    """Write a profile like the ones that ship, for an executor at hand here."""
    folder.mkdir()
    shipped = (Path(__file__).parents[2] / "workflow" / "profiles" / "slurm" / "config.yaml").read_text()
    kept = [line for line in shipped.splitlines() if re.match(r"(keep-going|rerun-|scheduler|max-status)", line)]
    (folder / "config.yaml").write_text("\n".join([*kept, *(f"{key}: {value}" for key, value in settings.items())]) + "\n")
    return folder


def test_a_generic_cluster_builds_the_same_bytes_chunk_by_chunk(tmp_path, queue):
    if importlib.util.find_spec("snakemake_executor_plugin_cluster_generic") is None:
        pytest.skip("snakemake-executor-plugin-cluster-generic is not installed")
    house = toy_house(tmp_path / "house")
    spool = tmp_path / "spool"
    for name, text in (("submit.sh", _SUBMIT), ("status.sh", _STATUS)):
        (tmp_path / name).write_text(text.format(spool=spool))
        (tmp_path / name).chmod(0o755)
    profile = _profile(
        tmp_path / "profile",
        executor="cluster-generic",
        **{
            "cluster-generic-submit-cmd": tmp_path / "submit.sh",
            "cluster-generic-status-cmd": tmp_path / "status.sh",
            "jobs": 2,
            "latency-wait": 5,
            "seconds-between-status-checks": 1,
        },
    )
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    done = run(house, "batch", queue, "--out", tmp_path / "out", "--profile", profile, "--cores", "2", timeout=300)
    assert done.returncode == 0, done.stderr + _engine_log(tmp_path / "out")
    assert sorted(ran(tmp_path / "out")) == sorted(f"{job} {stage}" for job in JOBS for stage in STAGES)
    assert len(list(spool.glob("*.rc"))) == 2  # one submission a chunk, all its stages in it
    assert digests(tmp_path / "calm") == digests(tmp_path / "out")


@pytest.fixture
def slurm(tmp_path_factory):
    """A SLURM of one node on loopback, from Debian's packages; the test is skipped where it cannot start."""
    needed = ("slurmctld", "slurmd", "munged", "sinfo", "sbatch")
    missing = [name for name in needed if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin") is None]
    if missing or os.geteuid() != 0:
        pytest.skip(f"SLURM cannot start here: {'not installed: ' + ', '.join(missing) if missing else 'not root'}")
    if CONF.exists():
        pytest.skip(f"{CONF} is there already: a SLURM of somebody else's is left alone")
    place = tmp_path_factory.mktemp("slurm")
    started = _start_slurm(place)
    CONF.parent.mkdir(exist_ok=True)
    CONF.symlink_to(place / "slurm.conf")  # srun, within a job, looks nowhere else
    try:
        if not _ready(place):
            pytest.skip("SLURM did not get ready here: " + (place / "slurmctld.out").read_text()[-300:])
        yield place
    finally:
        CONF.unlink()
        for process in started:
            process.send_signal(signal.SIGTERM)
        for process in started:
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


_SLURM = """
ClusterName=checks
SlurmctldHost={host}(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={place}/munge.socket
SlurmctldPort={port}
SlurmdPort={other}
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SwitchType=switch/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/none
ReturnToService=2
MinJobAge=3600
StateSaveLocation={place}/state
SlurmdSpoolDir={place}/spool
SlurmctldPidFile={place}/slurmctld.pid
SlurmdPidFile={place}/slurmd.pid
SlurmctldLogFile={place}/slurmctld.log
SlurmdLogFile={place}/slurmd.log
NodeName={host} NodeAddr=127.0.0.1 CPUs=2 RealMemory=1500 State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
"""


def _start_slurm(place: Path) -> list[subprocess.Popen[bytes]]:
    """Start the authentication service, the controller and the node, all of this test's own."""
    (place / "state").mkdir()
    (place / "spool").mkdir()
    key = place / "munge.key"
    key.write_bytes(os.urandom(64))
    key.chmod(0o400)
    place.chmod(0o755)
    ports = [_free_port() for _ in range(2)]
    (place / "slurm.conf").write_text(_SLURM.format(host=socket.gethostname().split(".")[0], place=place, port=ports[0], other=ports[1]))
    environment = {**os.environ, "SLURM_CONF": str(place / "slurm.conf"), "PATH": f"{os.environ['PATH']}:/usr/sbin:/sbin"}
    munge = ["munged", "--foreground", "--force", f"--socket={place}/munge.socket", f"--key-file={key}", f"--log-file={place}/munged.log"]
    munge += [f"--pid-file={place}/munged.pid", f"--seed-file={place}/munged.seed"]
    started = []
    for words in (munge, ["slurmctld", "-D", "-f", str(place / "slurm.conf")], ["slurmd", "-D", "-f", str(place / "slurm.conf")]):
        with (place / f"{words[0]}.out").open("wb") as told:
            started.append(subprocess.Popen(words, env=environment, stdout=told, stderr=told))
        time.sleep(0.7)
    return started


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _ready(place: Path) -> bool:
    environment = {**os.environ, "SLURM_CONF": str(place / "slurm.conf")}
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        told = subprocess.run(["sinfo", "-h", "-o", "%T"], env=environment, capture_output=True, text=True, check=False).stdout
        if told.strip() == "idle":
            return True
        time.sleep(0.3)
    return False


def test_slurm_builds_the_same_bytes(tmp_path, queue, slurm, monkeypatch):
    if not (PLUGIN / "snakemake_executor_plugin_slurm").is_dir():
        pytest.skip(f"snakemake-executor-plugin-slurm is not installed in {PLUGIN}")
    monkeypatch.setenv("SLURM_CONF", str(slurm / "slurm.conf"))
    monkeypatch.setenv("PYTHONPATH", str(PLUGIN))
    house = toy_house(tmp_path / "house")
    profile = _profile(
        tmp_path / "profile",
        executor="slurm",
        **{
            "jobs": 2,
            "latency-wait": 10,
            "seconds-between-status-checks": 1,
            "slurm-no-account": "true",
            "slurm-status-command": "squeue",
            "slurm-init-seconds-before-status-checks": 1,
            "default-resources": "[mem_mb=300, runtime=5, slurm_partition=main]",
        },
    )
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    done = run(house, "batch", queue, "--out", tmp_path / "out", "--profile", profile, "--cores", "2", timeout=90)
    assert done.returncode == 0, done.stderr + _engine_log(tmp_path / "out")
    assert digests(tmp_path / "calm") == digests(tmp_path / "out")


_KUBECTL = """#!{python}
# A stand-in for the cluster's tool: keeps every Job's manifest, runs its command as a process of its own, tells how it went.
import json, os, pathlib, subprocess, sys, uuid, yaml

spool = pathlib.Path({spool!r})
words = sys.argv[1:]
if words[:2] == ["create", "-o"] and words[2:] == ["name", "-f", "-"]:
    job = yaml.safe_load(sys.stdin)
    name = job["metadata"]["generateName"] + uuid.uuid4().hex[:5]
    (spool / (name + ".json")).write_text(json.dumps(job))
    command = job["spec"]["template"]["spec"]["containers"][0]["command"]
    shell = 'setsid "$@" > %s.out 2>&1; echo $? > %s.rc' % (spool / name, spool / name)
    subprocess.Popen(["bash", "-c", shell, "bash", *command], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    print("job.batch/" + name)
elif words[:2] == ["get", "job"]:
    if (spool / "deaf").exists():
        (spool / "deaf").unlink()
        sys.exit("Unable to connect to the server")
    name = words[2]
    assert words[3:] == ["--ignore-not-found", "-o", "jsonpath={{.metadata.name}},{{.status.succeeded}},{{.status.failed}}"], words
    if (spool / (name + ".json")).exists():
        ended = spool / (name + ".rc")
        code = ended.read_text().strip() if ended.exists() else ""
        print(name + "," + ("1" if code == "0" else "") + "," + ("1" if code not in ("", "0") else ""), end="")
elif words[:2] == ["delete", "job"]:
    for name in words[4:]:
        (spool / (name + ".json")).unlink()
else:
    sys.exit("unknown: " + " ".join(words))
"""


@pytest.fixture
def kubectl(tmp_path, monkeypatch):
    """Put a stand-in for kubectl first on the path; returns the folder where it keeps the Jobs."""
    if importlib.util.find_spec("snakemake_executor_plugin_cluster_generic") is None:
        pytest.skip("snakemake-executor-plugin-cluster-generic is not installed")
    spool, tools = tmp_path / "cluster", tmp_path / "tools"
    spool.mkdir()
    tools.mkdir()
    (tools / "kubectl").write_text(_KUBECTL.format(python=sys.executable, spool=str(spool)))
    (tools / "kubectl").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tools}:{os.environ['PATH']}")
    return spool


def test_the_kubernetes_profile_makes_a_job_of_every_chunk_and_the_same_bytes(tmp_path, queue, kubectl):
    """As shipped, up to the door of the cluster: what is behind it is not proven here."""
    house = toy_house(tmp_path / "house")
    (kubectl / "deaf").touch()  # once the cluster does not answer
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    done = run(house, "batch", queue, "--out", tmp_path / "out", "--profile", "kubernetes", "--cores", "2", timeout=300)
    assert done.returncode == 0, done.stderr + _engine_log(tmp_path / "out")
    assert digests(tmp_path / "calm") == digests(tmp_path / "out")
    jobs = [json.loads(path.read_text()) for path in kubectl.glob("*.json")]
    assert len(jobs) == 2  # one a chunk, all its stages in it
    assert not (kubectl / "deaf").exists()
    for job in jobs:
        assert (job["apiVersion"], job["kind"], job["spec"]["backoffLimit"]) == ("batch/v1", "Job", 0)
        pod = job["spec"]["template"]["spec"]
        (container,) = pod["containers"]
        assert pod["restartPolicy"] == "Never"
        assert {mount["name"] for mount in container["volumeMounts"]} == {volume["name"] for volume in pod["volumes"]}
        assert container["command"][1].startswith(str((tmp_path / "out").resolve()))
        assert {"cpu", "memory"} <= set(container["resources"]["requests"])


def test_on_kubernetes_a_pod_that_dies_is_tried_again_and_a_job_gone_counts_as_failed(tmp_path, queue, kubectl):
    house = toy_house(tmp_path / "house")
    add_job(queue, "unlucky", "layout die-once")
    done = run(house, "batch", queue, "--out", tmp_path / "out", "--profile", "kubernetes", "--cores", "1", timeout=300)
    assert done.returncode == 0, done.stderr + _engine_log(tmp_path / "out")
    status = Path(__file__).parents[2] / "workflow" / "profiles" / "kubernetes" / "status"
    told = subprocess.run(["sh", status, "sleeveline-gone"], capture_output=True, text=True, check=True).stdout
    assert told == "failed\n"


def test_on_kubernetes_a_path_that_yaml_could_misread_is_refused(tmp_path, kubectl):
    submit = Path(__file__).parents[2] / "workflow" / "profiles" / "kubernetes" / "submit"
    told = subprocess.run(["sh", submit, '/out/x"] }\n# '], capture_output=True, text=True, check=False)
    assert told.returncode == 1
    assert "letters, digits" in told.stderr
    assert list(kubectl.iterdir()) == []


def test_the_shipped_profiles_are_read_by_the_engine(tmp_path, queue):
    house = toy_house(tmp_path / "house")
    done = run(house, "batch", queue, "--out", tmp_path / "out", "--profile", "local", "--cores", "2")
    assert done.returncode == 0, done.stderr + _engine_log(tmp_path / "out")
    wrong = run(house, "batch", queue, "--out", tmp_path / "out2", "--profile", "no-such-profile", "--cores", "2")
    assert (wrong.returncode, "no-such-profile" in wrong.stderr) == (2, True)


def _engine_log(out: Path) -> str:
    log = out / ".sleeveline" / "logs" / "engine.log"
    return log.read_text()[-3000:] if log.exists() else sys.version
