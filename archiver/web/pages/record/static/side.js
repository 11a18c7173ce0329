// The drawing that goes with the question about a side.
import { one } from "/static/elements.js";
import { sideDrawing } from "/static/take_in/side_drawing.js";

const place = one(document, "#drawing", HTMLElement);
place.append(sideDrawing(JSON.parse(place.dataset.edges ?? ""), place.dataset.laterality ?? ""));
