# The program, and what several of its processes stand on: one file, one base to trust. Everything runs as user 10001.
#   docker compose up --build
# BINARY=prebuilt takes target/release/counterfoil, built on Debian 12, instead of building it here (needs BuildKit).
ARG BASE=debian:12.11-slim
ARG BUILDER=rust:1.95-slim-bookworm
ARG BINARY=build

FROM ${BUILDER} AS build
WORKDIR /src
COPY . .
RUN cargo build --release --locked -p counterfoil && cp target/release/counterfoil /counterfoil

FROM scratch AS prebuilt
COPY target/release/counterfoil /counterfoil

FROM ${BINARY} AS binary

FROM ${BASE} AS base
RUN test -f /etc/ssl/certs/ca-certificates.crt && command -v openssl >/dev/null || { apt-get update && apt-get install -y --no-install-recommends ca-certificates openssl && rm -rf /var/lib/apt/lists/*; }
RUN groupadd --gid 10001 counterfoil && useradd --uid 10001 --gid 10001 --no-create-home --home-dir /nonexistent --shell /usr/sbin/nologin counterfoil

# Makes what nobody should have to invent: passwords, and a certificate until the shop has its own.
FROM base AS first-run
COPY deploy/first-run.sh /usr/local/bin/first-run
RUN install -d -o 10001 -g 10001 -m 0700 /for-server /for-database /for-proxy
USER 10001:10001
ENTRYPOINT ["bash", "/usr/local/bin/first-run"]

FROM base AS database
RUN test -d /usr/lib/postgresql/15 || { apt-get update && apt-get install -y --no-install-recommends postgresql-15 && rm -rf /var/lib/apt/lists/*; }
COPY deploy/database.sh /usr/local/bin/database
RUN install -d -o 10001 -g 10001 -m 0700 /data /for-database
USER 10001:10001
VOLUME /data
STOPSIGNAL SIGINT
EXPOSE 5432
ENTRYPOINT ["bash", "/usr/local/bin/database"]

FROM base AS proxy
RUN command -v haproxy >/dev/null || { apt-get update && apt-get install -y --no-install-recommends haproxy && rm -rf /var/lib/apt/lists/*; }
COPY deploy/haproxy.cfg /etc/haproxy/haproxy.cfg
RUN install -d -o 10001 -g 10001 -m 0700 /for-proxy
USER 10001:10001
STOPSIGNAL SIGUSR1
EXPOSE 8443
ENTRYPOINT ["haproxy", "-W", "-db", "-f", "/etc/haproxy/haproxy.cfg"]

FROM base AS server
COPY --from=binary --chown=0:0 /counterfoil /usr/local/bin/counterfoil
COPY deploy/ready.sh /usr/local/bin/ready
RUN install -d -o 10001 -g 10001 -m 0700 /data /for-server
USER 10001:10001
VOLUME /data
ENV COUNTERFOIL_DATA=/data COUNTERFOIL_LISTEN=0.0.0.0:8080 COUNTERFOIL_OPERATIONS=0.0.0.0:9080
EXPOSE 8080
HEALTHCHECK --interval=10s --timeout=5s --start-period=60s --retries=3 CMD ["bash", "/usr/local/bin/ready"]
ENTRYPOINT ["counterfoil"]
CMD ["serve"]
