// SPDX-License-Identifier: GPL-3.0-or-later
// Stands in no declared room.
#pragma once
