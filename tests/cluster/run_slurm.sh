#!/bin/sh
# Run a command beside a Slurm of one node on this machine, and stop that afterwards.
#
#   sh tests/cluster/run_slurm.sh COMMAND [ARGUMENT ...]
#
# Needs root and the packages slurmctld, slurmd, slurm-client and munge. Everything listens on the
# loopback interface alone, keeps its files in a folder of its own, and is stopped by process id.
# CPUS (default: all of this machine) says how many the node has.
set -eu
folder=$(mktemp -d)
chmod 755 "$folder"
mkdir "$folder/state" "$folder/spool"
host=$(hostname -s)
# Of all, or OMP_NUM_THREADS would count for it.
cpus=${CPUS:-$(nproc --all)}
memory=$(awk '/^MemTotal/ {print int($2 / 1024 * 0.9)}' /proc/meminfo)

stop() {
    status=$?
    for name in slurmd slurmctld munged; do
        [ ! -s "$folder/$name.pid" ] || kill "$(cat "$folder/$name.pid")" 2>/dev/null || true
    done
    # A daemon writes its log until it has ended.
    sleep 2
    if [ "$status" != 0 ]; then
        tail -n 20 "$folder"/*.log >&2 || true
    fi
    rm -rf "$folder"
    exit "$status"
}
trap stop EXIT INT TERM

cat >"$folder/slurm.conf" <<CONF
ClusterName=loopback
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$folder/munge.socket
CommunicationParameters=NoCtldInAddrAny,NoInAddrAny
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/none
SchedulerType=sched/backfill
ReturnToService=2
MinJobAge=300
StateSaveLocation=$folder/state
SlurmdSpoolDir=$folder/spool
SlurmctldPidFile=$folder/slurmctld.pid
SlurmdPidFile=$folder/slurmd.pid
SlurmctldLogFile=$folder/slurmctld.log
SlurmdLogFile=$folder/slurmd.log
NodeName=$host NodeAddr=127.0.0.1 CPUs=$cpus RealMemory=$memory State=UNKNOWN
PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP
CONF
export SLURM_CONF="$folder/slurm.conf"

head -c 1024 /dev/urandom >"$folder/munge.key"
chmod 600 "$folder/munge.key"
munged --force --key-file="$folder/munge.key" --socket="$folder/munge.socket" \
    --pid-file="$folder/munged.pid" --log-file="$folder/munged.log" \
    --seed-file="$folder/munged.seed" >/dev/null 2>&1
slurmctld -f "$SLURM_CONF"
slurmd -f "$SLURM_CONF"
tries=0
until [ "$(sinfo --noheader --format=%T 2>/dev/null)" = idle ]; do
    tries=$((tries + 1))
    if [ $tries -gt 60 ]; then
        echo "the node did not come up" >&2
        exit 1
    fi
    sleep 0.5
done
"$@"
