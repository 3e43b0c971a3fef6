// Reads the calendar file named on the command line and prints, as JSON, what a second reader makes of it:
// the events with every occurrence as an instant in UTC, counted with the file's own VTIMEZONE and no other zone data.
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const files = process.argv.slice(2);

const instant = (time) => {
  const utc = time.isDate ? time : time.convertToZone(ICAL.Timezone.utcTimezone);
  return utc.toString();
};

const read = (file) => {
  const calendar = new ICAL.Component(ICAL.parse(readFileSync(file, "utf8")));
  ICAL.TimezoneService.reset();
  const zones = calendar.getAllSubcomponents("vtimezone");
  for (const zone of zones) {
    ICAL.TimezoneService.register(zone);
  }
  const events = calendar.getAllSubcomponents("vevent").map((component) => {
    const event = new ICAL.Event(component);
    const starts = [];
    const occurrences = event.iterator();
    for (let next = occurrences.next(); next; next = occurrences.next()) {
      starts.push(instant(next));
    }
    return {
      uid: event.uid,
      summary: event.summary,
      description: event.description,
      location: event.location,
      organizer: component.getFirstPropertyValue("organizer"),
      organizerName: component.getFirstProperty("organizer")?.getParameter("cn") ?? null,
      sequence: component.getFirstPropertyValue("sequence"),
      status: component.getFirstPropertyValue("status"),
      starts,
      minutes: event.duration.toSeconds() / 60,
      triggers: component.getAllSubcomponents("valarm").map((alarm) => alarm.getFirstPropertyValue("trigger").toString()),
    };
  });
  return {
    method: calendar.getFirstPropertyValue("method"),
    name: calendar.getFirstPropertyValue("name"),
    zones: zones.map((zone) => zone.getFirstPropertyValue("tzid")),
    events,
  };
};

process.stdout.write(JSON.stringify(files.map(read)));
