# An image with nothing in it but lampward. Build it for this machine with
#
#	docker build -t lampward .
#
# and for a board computer with --platform linux/arm64 or linux/arm/v7. See
# deploy/compose.yaml for how to run it.

FROM --platform=$BUILDPLATFORM golang:1.26 AS build
ARG TARGETOS TARGETARCH TARGETVARIANT
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN CGO_ENABLED=0 GOOS=$TARGETOS GOARCH=$TARGETARCH GOARM=${TARGETVARIANT#v} go build -trimpath -ldflags="-s -w" -o /out/usr/bin/lampward ./cmd/lampward
RUN mkdir -p /out/etc/ssl/certs /out/var/lib/lampward /out/tmp && chmod 1777 /out/tmp && chmod 0750 /out/var/lib/lampward && cp /etc/ssl/certs/ca-certificates.crt /out/etc/ssl/certs/ && chown 65532:65532 /out/var/lib/lampward

FROM scratch
COPY --from=build /out /
# Where history goes if lampward.toml does not say.
ENV STATE_DIRECTORY=/var/lib/lampward
VOLUME /var/lib/lampward
USER 65532:65532
EXPOSE 1883 8080
HEALTHCHECK --interval=1m --timeout=10s --start-period=1m CMD ["/usr/bin/lampward", "healthcheck", "-config", "/etc/lampward/lampward.toml"]
ENTRYPOINT ["/usr/bin/lampward"]
CMD ["run", "-config", "/etc/lampward/lampward.toml"]
