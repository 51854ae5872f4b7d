# The stages, in the order of the line.  The wildcard is a chunk of at most 128 jobs; a stage treats its jobs one by one, skips
# those whose keys are unchanged, and turns what a job raises into that job's status, so a rule fails only for our own faults.
# `exec` makes the worker the engine's own child: it ends when the engine ($PPID) does.  `-P` keeps OUT off Python's path.


# From the job's files to points with coordinates.
rule survey:
    input:
        chunk="plan/chunks/{chunk}.json",
    output:
        stamp="stamps/survey/{chunk}.json",
    log:
        "logs/survey/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["survey"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage survey {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# From points to fitted lines of the site.
rule edge:
    input:
        chunk="plan/chunks/{chunk}.json",
        survey="stamps/survey/{chunk}.json",
    output:
        stamp="stamps/edge/{chunk}.json",
    log:
        "logs/edge/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["edge"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage edge {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# From the site to fence line, holes, panels and gates.
rule layout:
    input:
        chunk="plan/chunks/{chunk}.json",
        edge="stamps/edge/{chunk}.json",
    output:
        stamp="stamps/layout/{chunk}.json",
    log:
        "logs/layout/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["layout"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage layout {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# What the crew measured after drilling, where it did: the holes as they are, and the fence that stands in them.
rule drilling:
    input:
        chunk="plan/chunks/{chunk}.json",
        layout="stamps/layout/{chunk}.json",
    output:
        stamp="stamps/drilling/{chunk}.json",
    log:
        "logs/drilling/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["drilling"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage drilling {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# From the fence as it stands to panels as made, cuts and the job's own order.
rule fabrication:
    input:
        chunk="plan/chunks/{chunk}.json",
        drilling="stamps/drilling/{chunk}.json",
    output:
        stamp="stamps/fabrication/{chunk}.json",
    log:
        "logs/fabrication/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["fabrication"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage fabrication {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# Every clause of the job's rule packs, held against the layout.
rule compliance:
    input:
        chunk="plan/chunks/{chunk}.json",
        fabrication="stamps/fabrication/{chunk}.json",
    output:
        stamp="stamps/compliance/{chunk}.json",
    log:
        "logs/compliance/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["compliance"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage compliance {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# Plan, crew, shop and inspection sheets.
rule drawings:
    input:
        chunk="plan/chunks/{chunk}.json",
        compliance="stamps/compliance/{chunk}.json",
    output:
        stamp="stamps/drawings/{chunk}.json",
    log:
        "logs/drawings/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["drawings"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage drawings {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"


# Tables, manifest and the zip of a complete job.
rule package:
    input:
        chunk="plan/chunks/{chunk}.json",
        drawings="stamps/drawings/{chunk}.json",
    output:
        stamp="stamps/package/{chunk}.json",
    log:
        "logs/package/{chunk}.log",
    retries: 6
    group:
        "chunk"
    params:
        code=NIGHT["code"]["package"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline stage package {input.chunk} {output.stamp} --parent $PPID > {log} 2>&1"
