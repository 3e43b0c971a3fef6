// A message centre on the loopback, built on a general SMPP library. It prints each PDU that came in, as the library
// decoded it, as one line of JSON, and does what the lines of JSON on its input say. After each it says "done". It ends
// with its input.
// Arguments: a key file and a certificate file, for TLS.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import smpp from "smpp";

const ACCOUNT = { system_id: "clinic", password: "secret" };
const BINDS = ["bind_transceiver", "bind_transmitter", "bind_receiver"];

let counted = 0;
let statuses = []; // of the next submit_sm; none left: taken
let ids = []; // of the next submit_sm; none left: a number
let gathering = 0; // so many submit_sm are answered together, the last one first
let gathered = [];
let current = null; // the newest bound session
const sessions = new Set();

const shown = (value) => {
  if (Buffer.isBuffer(value)) return value.toString("hex");
  if (value instanceof Date) return value.toISOString();
  if (Array.isArray(value)) return value.map(shown);
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).map(([name, each]) => [name, shown(each)]));
};

const tell = (event, more = {}) => process.stdout.write(`${JSON.stringify({ event, ...more })}\n`);

const sign_in = (session, pdu) => {
  let command_status = smpp.ESME_ROK;
  if (pdu.system_id !== ACCOUNT.system_id) command_status = smpp.ESME_RINVSYSID;
  else if (pdu.password !== ACCOUNT.password) command_status = smpp.ESME_RINVPASWD;
  else {
    session.bound = true;
    current = session;
  }
  session.send(pdu.response({ command_status, system_id: "centre" }));
};

const take = (session, pdu) => {
  const name = statuses.length ? statuses.shift() : "ESME_ROK";
  const command_status = session.bound ? smpp[name] : smpp.ESME_RINVBNDSTS;
  const answer = pdu.response(
    command_status ? { command_status } : { message_id: ids.length ? ids.shift() : String(++counted) },
  );
  if (!gathering) return session.send(answer);
  gathered.push(() => session.send(answer));
  if (gathered.length < gathering) return;
  for (const send of gathered.reverse()) send();
  gathering = 0;
  gathered = [];
};

const serve = (session) => {
  sessions.add(session);
  tell("open");
  session.on("pdu", (pdu) => tell(pdu.command, { pdu: shown(pdu), at: new Date().toISOString() }));
  for (const bind of BINDS) session.on(bind, (pdu) => sign_in(session, pdu));
  session.on("submit_sm", (pdu) => take(session, pdu));
  session.on("enquire_link", (pdu) => session.send(pdu.response()));
  session.on("unbind", (pdu) => {
    session.send(pdu.response());
    session.close();
  });
  session.on("unbind_resp", () => session.close());
  session.on("error", (failed) => tell("error", { message: String(failed) }));
  session.on("close", () => {
    sessions.delete(session);
    tell("close");
  });
};

// Cuts by code units, right through surrogate pairs, as some senders do.
const cut = (text, units) => {
  const parts = [];
  for (let at = 0; at < text.length; at += units) parts.push(text.slice(at, at + units));
  return parts;
};

const deliver_long = ({ text, by, units, reference, fields, order }) => {
  const parts = cut(text, units);
  const places = order ?? parts.map((_, index) => index + 1);
  for (const place of places) {
    const message = parts[place - 1];
    const placed =
      by === "sar"
        ? {
            short_message: message,
            sar_msg_ref_num: reference,
            sar_total_segments: parts.length,
            sar_segment_seqnum: place,
          }
        : { short_message: { udh: Buffer.from([5, 0, 3, reference, parts.length, place]), message } };
    current.deliver_sm({ ...fields, ...placed });
  }
};

const begin_anew = () => {
  counted = gathering = 0;
  statuses = [];
  ids = [];
  gathered = [];
};

const actions = {
  begin_anew,
  look: () => {},
  statuses: (told) => (statuses = told.statuses),
  ids: (told) => (ids = told.ids),
  gather: (told) => (gathering = told.count),
  deliver: ({ fields, udh, octets }) => {
    let short_message = fields.short_message ?? "";
    if (udh) short_message = { udh: Buffer.from(udh, "hex"), message: short_message };
    if (octets) short_message = Buffer.from(octets, "hex");
    current.deliver_sm({ ...fields, short_message });
  },
  deliver_long,
  enquire: () => current.enquire_link(),
  unbind: () => current.unbind(),
  tables: () => {
    const ids_of = (table) => Object.fromEntries(Object.entries(table).map(([name, each]) => [name, each.id]));
    tell("tables", {
      commands: ids_of(smpp.commands),
      statuses: smpp.errors,
      tags: ids_of(smpp.tlvs),
      states: smpp.MESSAGE_STATE,
    });
  },
};

const [key, cert] = process.argv.slice(2).map((file) => readFileSync(file));
const server = smpp.createServer(key ? { key, cert } : {}, serve);
server.on("tlsClientError", () => tell("tls_refused"));
server.listen(0, "127.0.0.1", () => tell("listening", { port: server.address().port }));

const input = createInterface({ input: process.stdin });
input.on("line", (line) => {
  const told = JSON.parse(line);
  actions[told.do](told);
  tell("done", { what: told.do });
});
input.on("close", () => {
  server.close();
  for (const session of sessions) session.destroy();
});
