#!/bin/sh
# dosingd with the service's state directory. As root it works as the service's user, so that nothing there becomes
# root's, which the daemon could not open then.
: "${STATE_DIRECTORY:=/var/lib/dosingd}"
export STATE_DIRECTORY
if [ "$(id -u)" = 0 ]; then
    exec setpriv --reuid=dosingd --regid=dosingd --init-groups /opt/dosingd/bin/dosingd "$@"
fi
exec /opt/dosingd/bin/dosingd "$@"
