#!/bin/sh
# The entry of the worker image. The compiler's cache must be a folder that can be written; the image is read-only, so the kernel
# that was compiled when it was built is copied to where the cache is, and then this becomes `platerota`.
set -eu
for kernel in "${KERNEL_SEED:-/opt/platerota-kernel}"/kernel-*; do
  target=$NUMBA_CACHE_DIR/${kernel##*/}
  if [ -d "$kernel" ] && [ ! -e "$target" ]; then
    # Whole or not at all: several workers may share the folder, and the first of them wins.
    part=$(mktemp -d "$NUMBA_CACHE_DIR/.seed-XXXXXX")
    cp -R "$kernel/." "$part"
    mv -T "$part" "$target" 2>/dev/null || rm -rf "$part"
  fi
done
exec platerota "$@"
