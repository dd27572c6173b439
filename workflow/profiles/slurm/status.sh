#!/bin/sh
# State of a submission, in the one word that snakemake wants: from the controller, or, when that has
# forgotten it, from the accounting where there is one.
state=$(squeue --noheader --states=all --format=%T --jobs="$1" 2>/dev/null)
[ -n "$state" ] || state=$(sacct --noheader --allocations --format=State --jobs="$1" 2>/dev/null)
case $(echo "$state" | tr -d ' +') in
COMPLETED) echo success ;;
PENDING | CONFIGURING | RUNNING | COMPLETING | SUSPENDED | REQUEUED) echo running ;;
*) echo failed ;;
esac
