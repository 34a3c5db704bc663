# The service in a container. It does not run as root, and writes to /data and /tmp alone.
# docker-compose.yml says how it is used.

FROM python:3.11-slim AS built
WORKDIR /package
COPY pyproject.toml README.md ./
COPY src ./src
RUN python -m venv /installed \
    && /installed/bin/pip install --no-cache-dir --quiet --disable-pip-version-check .

FROM python:3.11-slim
# Pango sets the text of the weekly report's PDF.
RUN apt-get update -qq \
    && apt-get install -y -qq --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core \
    && rm -rf /var/lib/apt/lists/*
COPY --from=built /installed /installed
COPY container/start /usr/local/bin/start
RUN useradd --system --uid 8470 --home-dir /data --no-create-home steadyhead \
    && install -d -o steadyhead -g steadyhead /data \
    && chmod 0755 /usr/local/bin/start
# Compiled kernels are kept with the data, so that only the first start takes a minute.
ENV PATH=/installed/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    NUMBA_CACHE_DIR=/data/compiled \
    MPLCONFIGDIR=/tmp \
    COLUMNS=100
USER steadyhead
WORKDIR /steadyhead
VOLUME /data
EXPOSE 8470
HEALTHCHECK --start-period=2m CMD ["python", "-c", "import urllib.request as u; u.urlopen('http://127.0.0.1:8470/healthz', timeout=5)"]
ENTRYPOINT ["start"]
CMD ["serve", "--settings", "config/container.yaml"]
