// more.js - the end of what comes behind the first screen: every module that no other one asks for is named here.
import {now} from './state.js';
import {tableOf} from './table.js';
import {useTexts} from './told.js';
import './identify.js';
import './set.js';

export function useTable(document) {
    now.table = tableOf(document);
    useTexts(document);
}
