#!/bin/sh
# A backup of today, read again before it counts; older ones go. Usage: backup.sh DIRECTORY [DAYS]
# The settings of the service (FROSTSHIFT_DATA_DIR or FROSTSHIFT_DATABASE_URL) have to be in the environment.
set -eu
umask 077
folder=${1:?usage: backup.sh DIRECTORY [DAYS]}
days=${2:-30}
frostshift=${BACKUP_COMMAND:-frostshift}
file=$folder/frostshift-$(date -u +%Y-%m-%dT%H%M%SZ).backup
"$frostshift" backup "$file"
"$frostshift" backup --check "$file"
# Only what this script made goes, and only after a good one is there.
find "$folder" -maxdepth 1 -type f -name 'frostshift-*.backup' -mtime "+$days" -exec rm -f -- {} +
# What a backup that was killed left behind.
find "$folder" -maxdepth 1 -type f -name '.frostshift-*.part' -mtime +1 -exec rm -f -- {} +
