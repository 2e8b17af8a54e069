// Package dashboard is the station's HTTP server: the page, a versioned JSON
// API, one websocket, metrics, and the pairing of phones.
//
// It shows and it passes on what the maker taps; it decides nothing about wax.
// A dead, slow or hostile page can't hold up a reading: the station is
// subscribed to once, each update is encoded once, and every page has a bounded
// queue of its own that it either empties or is dropped from.
//
// # Who may do what
//
// A request from this very machine (loopback peer, loopback Host name) is a
// maker's, without pairing. Any other needs a paired device: a cookie set by
// POST /pair, or the same token as "Authorization: Bearer". Makers may do
// everything; viewers may use GET (but for devices, which makers alone see) and
// change their own preferences. Unpaired, only these are served: /pair,
// /healthz, and the page's public files (see Options.Public; by default
// pair.*, pair/*, icons/*, manifest.webmanifest and favicon.*). An unpaired
// visit to the page goes to /pair (303); an unpaired API call gets 401.
//
// # The page
//
//	GET /                      index.html
//	GET /pair                  pair.html
//	GET /anything.ext          that file, from the embedded file system
//	GET /some/view             index.html too: a path without a dot in its last
//	                           part that is no file is a view of the page (deep link)
//
// Files carry an ETag and "no-cache" (asked again each time, answered 304), and
// are sent compressed. The content security policy is
//
//	default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:;
//	font-src 'self'; connect-src 'self'; media-src 'self' blob:; manifest-src 'self';
//	worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'
//
// so: no inline script or style (setting element.style from script is allowed),
// nothing from another host.
//
// # Conventions of the API
//
// Bodies are JSON with Content-Type application/json, at most 64 KiB (1 MiB
// for recipes and sheets; a photo is image/jpeg); unknown fields are refused. Temperatures are °C, masses
// grams, spans seconds unless said otherwise, times of day RFC 3339 UTC. A
// [plan.Sheet] keeps its own form (its timers are nanoseconds, as Go's
// time.Duration is in JSON), and so does the "at" of a [plan.Event] (nanoseconds
// on the station's time line; its "wall" is the time of day).
//
// Every error is application/problem+json (RFC 9457):
//
//	{"type":"tag:example.org,2026:meltstation/stale",
//	 "title":"The pot has moved on", "status":409,
//	 "detail":"…what was wrong, in plain words…",
//	 "mend":"…what to do about it…",
//	 "code":"stale"}
//
// Branch on "code": bad-request, too-large, bad-type, not-found, bad-method,
// unpaired, forbidden, wrong-host, cross-site, stale, not-now, busy, invalid,
// no-batch, no-event, code-wrong, too-many, unavailable,
// unsaved (noted and standing, but not on disk yet), internal. A 409 of a
// tap (stale, not-now, busy) carries "pot": the [station.PotView] as it now is,
// so that the page can redraw and ask again.
//
// An id in a body ("id") is made by the page, 8 to 64 characters of
// A-Z a-z 0-9 - _, fresh for each thing done and the same for each retry: the
// same id twice is done once and answered alike.
//
// # Live
//
//	GET /api/v1/snapshot       → station.Snapshot ("role" is the asker's own)
//	GET /api/v1/live           websocket, text messages, server → page:
//	                             1. station.Snapshot           {"type":"snapshot",…}
//	                             2. station.Update, each       {"type":"pot"|"reading"|"notice"|"event"|
//	                                                            "room"|"channels"|"troubles"|"batches"|"bye",…}
//	                             3. {"type":"alive","seq":N,"now":"…"} after 5 s of nothing else
//	                           page → server (optional, at most 1 KiB, no others):
//	                             {"type":"snapshot"}           send me a new snapshot (a gap in seq)
//
// "seq" of updates grows by one; a page that sees a gap asks for a new snapshot
// (the server also sends one by itself when it had to skip). A page that has
// heard nothing for 15 s should take the line for dead. After "bye", with its
// reason, it should close the line itself. Close codes: 1001 the
// station is stopping (reconnect with backoff), 1008 with a reason: "too slow" or "no answer"
// (reconnect), "device removed" (go to /pair), "too many pages"; 1009 message
// too big; 1003/1007 not JSON text. The server pings every 20 s.
//
// # What the maker does
//
//	POST /api/v1/pots/{pot}/start
//	     {"id":"…","sheet":plan.Sheet,"name":"…","lots":["…"],"lot_of":{"wicks":"W-18"}}   → 201 {"batch":"…"}
//	     (a sheet of several melts is started one melt at a time: POST /api/v1/sheet with "melt")
//	POST /api/v1/pots/{pot}/taps
//	     station.Tap: {"id":"…","kind":"scent-added","stamp":12,"grams":0,"celsius":0,
//	      "counts":{"Tin 200":3},"first":0,"last":0,"text":"","lots":{…},"found":{…},"batch":""}  (all but id and kind may be left out)
//	                                                              → 200 {"event":plan.Event}
//	POST /api/v1/pots/{pot}/events/{id}/withdraw                  → 204   (no body; undo)
//	POST /api/v1/pots/{pot}/events/{id}/confirm                   → 204   (yes, what the station noticed is right)
//	POST /api/v1/pots/{pot}/events/{id}/deny                      → 204
//	POST /api/v1/pots/{pot}/events/{id}/correct                   plan.Event (only kind, wall, celsius, grams,
//	                                                              counts, first, last, text are looked at; a "wall"
//	                                                              moves it) → 204
//	POST /api/v1/pots/{pot}/notices/{key}/acknowledge             → 204   (no body)
//	POST /api/v1/pots/{pot}/notices/{key}/shelve                  {"seconds":600} → 204 (60 to 3600 s)
//	POST /api/v1/pots/{pot}/notices/{key}/unshelve                → 204
//	POST /api/v1/pots/{pot}/notices/{key}/reset                   → 204   (a latched one, once it is over)
//	POST /api/v1/pots/{pot}/notices/{key}/remove                  {"reason":"…"} → 204 (out of service)
//	POST /api/v1/pots/{pot}/notices/{key}/restore                 → 204
//
// What changed comes back over the websocket, to every page.
//
// # Curves
//
//	GET /api/v1/pots/{pot}/curve?points=1500      the batch now in the pot; without one, what the pot showed in the last two hours
//	GET /api/v1/batches/{id}/curve?points=1500    (points: 16 to 20000)
//	→ {"pot":"…","batch":"…","start":"RFC 3339 of t = 0",
//	   "series":[{"probe":"…","role":"pot","t":[0,1,…],"c":[21.5,null,…]},…],
//	   "events":[plan.Event,…]}
//
// Columns of one series have one length. t is seconds from start; c is °C, null
// where the probe gave nothing good (draws a gap). Thinning keeps the lowest and
// the highest reading of each stretch. The pot's own series comes first.
//
// # Batches and records
//
//	GET /api/v1/batches?text=&lot=&recipe=&before=&limit=50
//	    → {"batches":[{"id","pot","name","recipe","stage","started","ended"|absent,"lots":[…]},…],"next":"…"}
//	      newest first; "next" is the "before" of the following page, "" at the end
//	GET /api/v1/batches/{id}                      → record.Record
//	PUT /api/v1/batches/{id}/notes                {"id":"…","found":plan.Found,"text":"…"} → {"event":plan.Event}
//	                                              (finish, throw, burn test: an event, also of a closed batch)
//	POST /api/v1/batches/{id}/taps                station.Tap → {"event":plan.Event}, for a batch wherever it is: in its
//	                                              pot, on the shelf, or closed (then only found, lots, note,
//	                                              left-over, trimmed, moved, cured)
//	POST /api/v1/batches/{id}/events/{event}/correct    as of a pot, for a batch wherever it is → 204
//	POST /api/v1/batches/{id}/events/{event}/withdraw   → 204
//	POST /api/v1/batches/{id}/photos              image/jpeg, at most 1 MiB and 1280 pixels a side → 201 {"name":"…"};
//	                                              written anew (no place, no camera in it), 24 a batch; "photos" of a
//	                                              plan.Found in the notes then names it, 6 at a time
//	GET /api/v1/batches/{id}/photos/{name}        → image/jpeg
//	GET /api/v1/batches/{id}/record.html|csv|svg|ics     the file (csv and ics as downloads)
//	GET /api/v1/batches/{id}/labels.html?n=24            labels to print
//
// # Recipes, sheets, shelf
//
//	GET    /api/v1/recipes                        → {"recipes":[{"key","name","recipe":form,"plan":plan.Recipe},…],
//	                                                 "faults":["harbour.toml:12: …",…]}  (files that can't be used)
//	GET    /api/v1/recipes/{key}                  → {"key","name","recipe":form,"plan":plan.Recipe}
//	PUT    /api/v1/recipes/{key}                  form → 204
//	DELETE /api/v1/recipes/{key}                  → 204
//	POST   /api/v1/sheet                          {"recipe":"key of a saved one" or form,
//	                                              "counts":[{"container":"Tin 200","n":6}],
//	                                              "options":plan.Options}   (both may be left out)
//	                                              or {"from":"code of a batch to make again", …};
//	                                              "scale":2 makes either so many times as large,
//	                                              "melt":2 takes one melt of several out
//	                                              → {"sheet":plan.Sheet,"text":"…the sheet as plain text…"}
//	GET    /api/v1/shelf                          → shelf.Board
//	GET    /api/v1/shelf.ics                      the waits as a calendar
//	GET    /api/v1/lesson?recipe=&temperature=F&mass=oz   → lesson.Findings (all may be left out)
//
// A form is a recipe with the keys of the recipe file, quantities as text with
// their units ("185 F", "1 lb 4 oz"); package recipe reads and writes it. The key
// of a recipe is the name of its file without the ending: small letters, digits
// and dashes. A 422 of a form or a sheet carries
// "fields":[{"field":"wax[1].density","text":"…what is wrong and the mend…"}].
//
// # The station itself
//
//	GET    /api/v1/probes                         → {"probes":[{"id","name","kind","where","pot","role","attached",
//	                                                "last":station.ReadingView|null,"good":station.ReadingView|null,
//	                                                "rate":readings per second,"readings":n,"errors":{"crc":2},
//	                                                "since":"…","mend":"…what to do, or empty…",
//	                                                "calibration":{"points":[{"kind","true","raw","at","by","note"}],
//	                                                  "taking":{"kind","true","raw","near","quality","steady","mean","range",
//	                                                    "drift" a minute,"span","hold"}|null}}],
//	                                                "altitude":metres|null}
//	POST   /api/v1/probes/{id}/calibration        {"kind":"ice"|"boiling"|"reference"|"none","celsius":of a reference,
//	                                                "metres" or "pressure" (hPa): of boiling} → 204; the probe is watched
//	                                                until it holds still ("none": it counts as it reads from now on).
//	                                                409 while a batch is in its pot.
//	POST   /api/v1/probes/{id}/calibration/keep   → 200 its calibration; 422 while it does not hold still   (no body)
//	DELETE /api/v1/probes/{id}/calibration        → 204   (gives it up)
//	GET    /api/v1/channels                       → {"channels":[station.ChannelView]}
//	POST   /api/v1/channels/test                  → {"channels":[station.ChannelView]}   (tries each now)
//	GET    /api/v1/push/key                       → {"key":"base64url VAPID public key"}, 404 when push is off
//	POST   /api/v1/push/subscription              what PushSubscription.toJSON() gives:
//	                                              {"endpoint","expirationTime","keys":{"p256dh","auth"}} → 204
//	DELETE /api/v1/push/subscription              {"endpoint":"…"} → 204
//	GET    /api/v1/preferences                    → {"units":"C"|"F","mass":"g"|"oz","clock":"24"|"12",
//	PUT    /api/v1/preferences                       "theme":"auto"|"light"|"dark","sound":true,"language":"en"} → 204
//	                                              kept for each paired device, and one set for this machine
//
// # Pairing
//
//	GET    /pair                                  the page where a code is typed; the address in the QR code
//	                                              is /pair#CODE (the part after # never reaches a log)
//	POST   /pair                                  {"code":"BCDF-GHJK","name":"Kitchen phone"}
//	                                              → 200 {"device":Device} and the cookie; 403 code-wrong, 429 too-many
//	POST   /api/v1/pairing-codes                  {"role":"maker"|"viewer"}
//	                                              → 201 {"code":"BCDF-GHJK","url":"…/pair#BCDF-GHJK",
//	                                                 "qr":"data:image/svg+xml;base64,…","expires":"…","role":"…"}
//	GET    /api/v1/devices                        → {"devices":[Device]}
//	DELETE /api/v1/devices/{id}                   → 204; its sockets close at once
//	GET    /api/v1/me                             → {"role":"maker"|"viewer","device":Device|null}
//	GET    /api/v1/certificate                    the root that a phone may trust (PEM, a download); 404 when the
//	                                              station made none of its own
//	DELETE /api/v1/me                             → 204; this device forgets its pairing
//
// A Device is {"id","name","role","paired":"…","seen":"…","this":true when it is the asker}.
// Codes live 5 minutes and serve once; capitals, blanks and dashes don't matter.
//
// # For machines
//
//	GET /healthz               200 {"status":"ok"} while the process answers
//	GET /readyz                200 or 503 {"status":"ready"|"not-ready","checks":[{"name","ok","detail"}]}
//	GET /metrics               Prometheus or OpenMetrics text; this machine, a paired device, or the metrics token
package dashboard
