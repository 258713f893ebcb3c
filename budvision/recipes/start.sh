#!/bin/sh
# Serve the season; before the first time make it. With words behind it: run that command instead,
# for example `start people add "Ada Quill" --role lead`.
set -eu
season=${BUDVISION_SEASON:-/season}
if [ ! -f "$season/budvision.toml" ]; then
  case "$BUDVISION_PHOTOS" in
    *://*)  # the bucket, where it is not there yet; a store may take a while to start
      tries=0
      until told=$(python -c 'import sys, fsspec; fs, path = fsspec.core.url_to_fs(sys.argv[1]); fs.makedirs(path.split("/")[0], exist_ok=True)' "$BUDVISION_PHOTOS" 2>&1); do
        tries=$((tries + 1))
        if [ "$tries" -ge 30 ]; then
          echo "The store of the photographs does not answer ($BUDVISION_PHOTOS):" >&2
          echo "$told" | tail -n 1 >&2
          exit 1
        fi
        sleep 2
      done ;;
  esac
  budvision init "$season" --database "$BUDVISION_DATABASE" --photos "$BUDVISION_PHOTOS"
fi
cd "$season"
if [ "$#" -gt 0 ]; then
  exec budvision "$@"
fi
exec budvision serve --host 0.0.0.0 --port 8765 --name "$BUDVISION_NAME" --https --log -
