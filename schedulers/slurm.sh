#!/bin/sh
# A large study as a Slurm array job: 64 shards, then one job that combines them when all have ended.
#
#     sbatch schedulers/slurm.sh                                  the shards
#     sbatch --dependency=afterok:JOBID --wrap \
#         'tautpoint combine parts/* --out results --cohort'      the whole
#
#SBATCH --array=1-64
#SBATCH --cpus-per-task=2
#SBATCH --mem=1G
#SBATCH --time=01:00:00
tautpoint --quiet analyze my-study --shard "$SLURM_ARRAY_TASK_ID/$SLURM_ARRAY_TASK_COUNT" \
    --out "parts/$SLURM_ARRAY_TASK_ID" --jobs "$SLURM_CPUS_PER_TASK"
# 1 is done, but for recordings that could not be used, each of which is named in the job's output.
code=$?
[ "$code" -le 1 ]
