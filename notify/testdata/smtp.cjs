// A mail server on loopback for tests. Its options are the JSON argument:
// {secure, cert, key, hide, user, pass, refuse: {address: "550 ..."}}.
// Writes its port as the first line, then each accepted message as a JSON line
// {from, to, tls, user, data}. Ends when standard input ends.
const { SMTPServer } = require("smtp-server");
const o = JSON.parse(process.argv[2]);
const server = new SMTPServer({
  secure: !!o.secure,
  cert: o.cert,
  key: o.key,
  hideSTARTTLS: !!o.hide,
  disabledCommands: o.hide ? ["STARTTLS"] : [],
  authOptional: !o.user,
  disableReverseLookup: true,
  logger: false,
  onAuth(auth, session, cb) {
    if (auth.username === o.user && auth.password === o.pass) return cb(null, { user: auth.username });
    const e = new Error("wrong user or password");
    e.responseCode = 535;
    cb(e);
  },
  onRcptTo(address, session, cb) {
    const r = (o.refuse || {})[address.address];
    if (!r) return cb();
    const e = new Error(r.slice(4));
    e.responseCode = Number(r.slice(0, 3));
    cb(e);
  },
  onData(stream, session, cb) {
    const parts = [];
    stream.on("data", (c) => parts.push(c));
    stream.on("end", () => {
      console.log(JSON.stringify({
        from: session.envelope.mailFrom.address,
        to: session.envelope.rcptTo.map((r) => r.address),
        tls: session.secure,
        user: session.user || "",
        data: Buffer.concat(parts).toString("base64"),
      }));
      cb();
    });
  },
});
server.on("error", () => {}); // a client that breaks off is part of the tests
server.listen(0, "127.0.0.1", () => console.log(server.server.address().port));
process.stdin.resume();
process.stdin.on("end", () => process.exit(0));
