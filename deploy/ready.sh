#!/usr/bin/env bash
# Whether this server is ready, by its own word.
exec 3<>/dev/tcp/127.0.0.1/9080 && printf 'GET /readyz HTTP/1.0\r\n\r\n' >&3 && IFS= read -r line <&3 && [[ $line == *" 200 "* ]]
