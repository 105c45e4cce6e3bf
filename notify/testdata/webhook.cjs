// Reads one JSON line per request on standard input: {secret, headers, body}.
// Writes one per request: {verified, error, event}: what the reference
// libraries standardwebhooks and cloudevents make of it.
const { Webhook } = require("standardwebhooks");
const { HTTP } = require("cloudevents");
const lines = require("fs").readFileSync(0, "utf8").split("\n").filter(Boolean);
for (const l of lines) {
  const { secret, headers, body } = JSON.parse(l);
  const out = {};
  try {
    if (secret) {
      new Webhook(secret).verify(body, headers);
      out.verified = true;
    }
    const ev = HTTP.toEvent({ headers, body });
    ev.validate();
    out.event = ev.toJSON();
  } catch (e) {
    out.error = String(e.message || e);
  }
  console.log(JSON.stringify(out));
}
