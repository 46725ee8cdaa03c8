#!/bin/sh
#SBATCH --job-name=plumbline
#SBATCH --array=1-1000%100
#SBATCH --cpus-per-task=1
#SBATCH --mem=2G
#SBATCH --time=00:10:00
# The same as an array of a batch scheduler: a task a case, on a shared folder. Set the array
# to the number of lines of cases.txt.
set -eu
GOMAXPROCS=1 ./task.sh cases.txt "${SLURM_ARRAY_TASK_ID:-${PBS_ARRAY_INDEX:-1}}" results
