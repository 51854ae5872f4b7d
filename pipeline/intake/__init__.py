"""From a queue folder to resolved jobs: names checked, files read and merged over the defaults, digests taken."""
