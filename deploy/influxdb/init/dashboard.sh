#!/bin/sh
# The image runs this once, after it has set itself up: puts the dashboard in. Not tried on a live engine.
set -eu
influx apply --force yes --org "$DOCKER_INFLUXDB_INIT_ORG" --file /templates/dashboard.yml
