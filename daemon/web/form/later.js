// later.js - the end of what looks back, which comes last.
import './live.js';
import './correct.js';
import './after.js';
import './trend.js';
import './round.js';
import './handover.js';
import './people.js';
