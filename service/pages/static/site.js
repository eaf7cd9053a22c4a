// Comfort only: every page works without this file.
"use strict";
