# A NATS server and the simulated chute, neither run as root. Build from the top of the checkout:
#   docker build -f testdata/compose/tools.Dockerfile --target nats -t dewclaw-nats:local .
#   docker build -f testdata/compose/tools.Dockerfile --target chute -t dewclaw-chute:local .
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY testdata/compose testdata/compose
RUN mkdir -p /nats/data /chute/data \
 && CGO_ENABLED=0 go build -o /nats/healthz ./testdata/compose/healthz \
 && CGO_ENABLED=0 go build -o /chute/chute ./testdata/compose/chute

FROM nats:2.15.2 AS nats
COPY --from=build --chown=65532:65532 /nats /
USER 65532:65532

FROM scratch AS chute
COPY --from=build --chown=65532:65532 /chute /
USER 65532:65532
ENTRYPOINT ["/chute"]
