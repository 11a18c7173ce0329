// The drawing that goes with the question about a side.
import { sideDrawing } from "/static/take_in/side_drawing.js";

const place = document.getElementById("drawing");
place.append(sideDrawing(JSON.parse(place.dataset.edges), place.dataset.laterality));
