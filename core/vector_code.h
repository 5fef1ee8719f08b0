// Code for wider vector units beside that for every machine, chosen when the program starts. Only
// on small free functions of plain loops. AVX2 without FMA: the results are the same everywhere.
#pragma once

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define TRUNNION_VECTOR_CODE [[gnu::target_clones("avx2", "default")]]
#else
#define TRUNNION_VECTOR_CODE
#endif
