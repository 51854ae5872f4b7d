# What spans jobs: it runs on the machine that drives the batch, after every chunk went through the line.


# Pooled cutting over all complete jobs: batch/cutting.csv and batch/offcuts.csv.
rule cutting:
    input:
        index="plan/index.json",
        jobs="plan/jobs.json",
        package=expand("stamps/package/{chunk}.json", chunk=NIGHT["chunks"]),
    output:
        stamp="stamps/batch/cutting",
    log:
        "logs/batch/cutting.log",
    params:
        products=NIGHT["products"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline products cutting . {output.stamp} --parent $PPID > {log} 2>&1"


# One order for all complete jobs: batch/order.xlsx.
rule order:
    input:
        cutting="stamps/batch/cutting",
    output:
        stamp="stamps/batch/order",
    log:
        "logs/batch/order.log",
    params:
        products=NIGHT["products"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline products order . {output.stamp} --parent $PPID > {log} 2>&1"


# The page for the office: batch/board.html and batch/status.csv.
rule board:
    input:
        order="stamps/batch/order",
    output:
        stamp="stamps/batch/board",
    log:
        "logs/batch/board.log",
    params:
        products=NIGHT["products"],
    shell:
        "exec {NIGHT[python]} -P -m pipeline products board . {output.stamp} --parent $PPID > {log} 2>&1"
